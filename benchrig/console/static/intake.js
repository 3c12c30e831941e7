// From the person to the fitted part: who, tag, model, look, fit. Kept in this browser until the test begins.

import { get, send } from "./asking.js";
import { $, made, put, show, wrong } from "./elements.js";
import { t } from "./texts.js";

const STAGES = ["who", "tag", "model", "look", "fit"];
const KEPT = "benchrig-intake";
const REASONS = { core: "Core", return: "Return", "new-stock": "New stock", "check-valve": "Check valve" };

export const intake = { stage: "who", operator: "", reason: "core", complaint: "", batch: "", tag: "", model: "", findings: "", condition: document.body.dataset.simulated, draft: "", ...stored() };
let models = [], earlier = [], redraw = () => {}, shownAt = 0, sending = false;

function stored() {
  try {
    return JSON.parse(sessionStorage.getItem(KEPT)) || {};
  } catch {
    return {};
  }
}

function keep() {
  sessionStorage.setItem(KEPT, JSON.stringify(intake));
}

/** Whether the stage has been on the screen long enough for a key to be meant for it. */
export const settled = () => performance.now() - shownAt > 250;

function go(stage) {
  intake.stage = stage;
  keep();
  redraw(true);
}

/** The next part: the person and the reason stay, but for a return, whose customer says something of its own. */
export function nextPart(tag = "") {
  const back = intake.reason === "return" || !intake.operator;
  Object.assign(intake, { tag: "", findings: "", complaint: "", draft: "" });
  $("who").querySelector("form").elements.complaint.value = "";
  $("look").querySelector("form").reset();
  go(back ? "who" : "tag");
  if (tag && !back) takeTag(tag);
}

/** Show the stage that the intake is at. */
export function showStage(fresh) {
  for (const name of STAGES) show($(name), name === intake.stage);
  if (!fresh) return;
  shownAt = performance.now();
  for (const each of document.querySelectorAll(".tag-shown")) each.textContent = intake.tag;
  const form = $(intake.stage).querySelector("form");
  show(form, true);
  ({ who: fillWho, tag: fillTag, model: fillModel, look: fillLook, fit: fillFit })[intake.stage](form);
}

function fillWho(form) {
  form.elements.operator.value = intake.operator;
  form.elements.reason.value = intake.reason;
  form.elements.complaint.value = intake.complaint;
  form.elements.batch.value = intake.batch;
  show($("complaint-field"), intake.reason === "return");
  form.elements.operator.focus();
}

function fillTag(form) {
  put("who-line", [intake.operator, t(REASONS[intake.reason]), intake.batch].filter(Boolean).join(", "));
  wrong("tag-wrong", "");
  form.elements.tag.value = intake.tag;
  form.elements.tag.focus();
  form.elements.tag.select();
}

async function takeTag(typed) {
  try {
    const found = await get(`/tag?typed=${encodeURIComponent(typed)}`);
    intake.tag = found.tag;
    earlier = found.runs;
    wrong("tag-wrong", "");
    go("model");
  } catch (error) {
    intake.stage = "tag";
    redraw(true);
    $("tag").querySelector("form").elements.tag.value = typed;
    wrong("tag-wrong", error.message);
  }
}

async function fillModel(form) {
  show($("unlisted"), false);
  const last = earlier[0];
  show($("earlier"), Boolean(last));
  if (last) {
    const said = `${t("This part has been tested: run %1, %2", last.run, last.when)}, ${t(last.verdict || last.ending)}${last.cause ? `, ${t(last.cause)}` : ""}.`;
    put("earlier", said);
  }
  form.elements.find.value = "";
  if (form.elements.condition) form.elements.condition.value = intake.condition;
  form.elements.find.focus();
  try {
    models = (await get("/models")).models;
  } catch (error) {
    wrong("no-model", error.message);
  }
  listModels();
}

function listModels() {
  const form = $("model").querySelector("form");
  const wanted = form.elements.find.value.trim().toLowerCase();
  const fit = models.filter((each) => `${each.model} ${each.title}`.toLowerCase().includes(wanted));
  const preferred = fit.find((each) => each.model === intake.model) || fit.find((each) => each.model === earlier[0]?.model) || fit[0];
  $("models").replaceChildren(...fit.map((each) => {
    const radio = made("input");
    Object.assign(radio, { type: "radio", name: "model", value: each.model, checked: each === preferred });
    return made("label", "", radio, made("span", "", made("b", "", each.model), each.title));
  }));
  show($("no-model"), fit.length === 0);
}

function fillLook(form) {
  show($("not-on-bench"), false);
  form.querySelector("button.main").focus();
}

function fillFit() {
  const normally = models.find((each) => each.model === intake.model)?.normally || { unknown: "closed", "unknown-open": "open" }[intake.model];
  put("fit-model", intake.model.startsWith("unknown") ? t("general practice") : intake.model);
  show($("at-rest-closed"), normally === "closed");
  show($("at-rest-open"), normally === "open");
  wrong("start-wrong", "");
  setPurged(false);
  $("purged").focus();
}

function setPurged(purged) {
  $("purged").setAttribute("aria-pressed", String(purged));
  $("start").disabled = !purged;
  if (purged) $("start").focus();
}

/** A scan while something else is asked: another part, so everything of this one is asked anew. */
export function scanned(tag) {
  nextPart(tag);
}

/** Wire the forms; `redraw_` shows what is to be shown now. */
export function wireIntake(redraw_) {
  redraw = redraw_;
  if (!STAGES.includes(intake.stage) || (intake.stage !== "who" && !intake.operator)) intake.stage = "who";
  if (["look", "fit"].includes(intake.stage)) intake.stage = "model"; // looked at and purged is asked anew after a reload
  if (intake.stage === "model" && !intake.tag) intake.stage = "tag";
  const submitted = (stage, then) => $(stage).querySelector("form").addEventListener("submit", (event) => {
    event.preventDefault();
    if (settled()) then(event.target.elements, event.target);
  });
  submitted("who", (fields) => {
    Object.assign(intake, { operator: fields.operator.value.trim(), reason: fields.reason.value, complaint: fields.complaint.value.trim(), batch: fields.batch.value.trim() });
    if (intake.operator) go("tag");
  });
  $("who").addEventListener("change", () => show($("complaint-field"), $("who").querySelector("form").elements.reason.value === "return"));
  submitted("tag", (fields) => takeTag(fields.tag.value));
  submitted("model", (fields, form) => {
    const chosen = form.querySelector("input[name=model]:checked");
    if (!chosen) return;
    intake.model = chosen.value;
    if (fields.condition) intake.condition = fields.condition.value;
    go("look");
  });
  const find = $("model").querySelector("form").elements.find;
  find.addEventListener("input", listModels);
  find.addEventListener("keydown", (event) => {
    if (event.key !== "ArrowDown" && event.key !== "ArrowUp") return;
    event.preventDefault();
    const radios = [...$("models").querySelectorAll("input")];
    const at = radios.findIndex((each) => each.checked) + (event.key === "ArrowDown" ? 1 : -1);
    const next = radios[Math.min(Math.max(at, 0), radios.length - 1)];
    if (next) next.checked = true;
    next?.scrollIntoView({ block: "nearest" });
  });
  const unlisted = (open) => {
    show($("model").querySelector("form"), !open);
    show($("unlisted"), open);
    (open ? $("unlisted").querySelector("h2") : find).focus();
  };
  $("not-listed").addEventListener("click", () => unlisted(true));
  $("back-to-models").addEventListener("click", () => unlisted(false));
  for (const each of document.querySelectorAll("[data-practice]")) each.addEventListener("click", () => {
    intake.model = each.dataset.practice;
    intake.condition = $("model").querySelector("form").elements.condition?.value ?? "";
    go("look");
  });
  submitted("look", (fields, form) => {
    const seen = [...form.querySelectorAll("input[name=seen]:checked")];
    intake.findings = [...seen.map((each) => each.value), fields.more.value.trim()].filter(Boolean).join("; ");
    const stops = seen.filter((each) => "stops" in each.dataset).map((each) => each.value);
    if (stops.length === 0) return go("fit");
    show(form, false);
    show($("why-not-cracked"), stops.some((each) => each.startsWith("crack")));
    show($("why-not-wet"), stops.some((each) => each.startsWith("wet")));
    show($("not-on-bench"), true);
    $("not-on-bench").querySelector("h2").focus();
  });
  $("look-again").addEventListener("click", () => go("look"));
  for (const each of document.querySelectorAll("[data-next-part]")) each.addEventListener("click", () => nextPart());
  for (const each of document.querySelectorAll("[data-back]")) each.addEventListener("click", () => go(each.dataset.back));
  $("purged").addEventListener("click", () => settled() && setPurged($("purged").getAttribute("aria-pressed") !== "true"));
  submitted("fit", async () => {
    if (sending || $("start").disabled) return;
    sending = true;
    $("start").disabled = true;
    intake.draft ||= crypto.getRandomValues(new Uint32Array(3)).join("-");
    keep();
    const { operator, reason, complaint, batch, tag, model, findings, condition, draft } = intake;
    try {
      await send("/do/start", { operator, reason, complaint, batch, tag, model, findings, condition: condition || "", draft, purged: true });
      intake.draft = "";
      intake.stage = "tag";
      keep();
    } catch (error) {
      wrong("start-wrong", error.message);
      setPurged(false);
      $("purged").focus();
    } finally {
      sending = false;
    }
  });
}
