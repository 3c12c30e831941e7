// The test as it goes on, the questions it asks, and its verdict: drawn from what the console says, never from memory.

import { send } from "./asking.js";
import { Curve } from "./curves.js";
import { $, made, put, show, wrong } from "./elements.js";
import { t } from "./texts.js";

const SHAPES = {
  accept: '<circle class="fill" cx="32" cy="32" r="29"/><path class="cut" d="M18 33.5l9.5 9.5L46.5 23"/>',
  reject: '<path class="fill" d="M21 4h22l17 17v22L43 60H21L4 43V21z"/><path class="cut" d="M22 22l20 20M42 22L22 42"/>',
  undecided: '<path class="fill" d="M32 3l29 29-29 29L3 32z"/><path class="cut" d="M25 26.5c0-9 14-9 14 0 0 6-7 5.5-7 11.5M32 46v.1"/>',
  aborted: '<rect class="dash" x="5" y="5" width="54" height="54" rx="6" stroke-dasharray="11 8"/><path class="dash" d="M20 32h24"/>',
};
const vacuum = new Curve($("vacuum-curve"), { xMost: 16, yMost: 70, separate: false });
const current = new Curve($("current-curve"), { xMost: 100, yMost: 0.8, separate: true });
let drawnWork = 0, drawnTo = -1, asked = 0;

/** Draw samples that were not drawn yet. */
export function drawSamples(samples, number) {
  if (drawnWork !== number) {
    drawnWork = number;
    drawnTo = -1;
    vacuum.clear();
    current.clear();
  }
  for (const each of samples) {
    if (each.work === number && each.n > drawnTo) $("live").dataset.at = each.at;
    if (each.work !== number || each.n <= drawnTo) continue;
    drawnTo = each.n;
    (each.curve === "vacuum" ? vacuum : current).add(each);
  }
}

/** Show a test or a check that goes on. */
export function showLive(state) {
  const { work, step, question } = state;
  put("live-what", { check: t("Bench check"), calibrate: t("Calibration") }[work.do] || t("Testing"));
  show($("vacuum-figure"), work.do === "run");
  show($("current-figure"), work.do === "run");
  put("step-number", step.number ? `${step.number}/${step.of}` : "");
  put("step-title", t(step.title || step.what || "Connecting to the bench"));
  put("reading", step.reading || "");
  put("left", state.stopping ? t("stopping") : left(state));
  $("progress").value = far(state);
  $("did").replaceChildren(...state.did.map(didLine));
  const notes = state.said.map((text) => note(text, "care", "en"));
  if (state.uncalibrated.length) {
    notes.unshift(note(`${t("Uncalibrated: every result of this run is marked so.")} ${state.uncalibrated.join("; ")}`, "care"));
  }
  if (state.do_now) notes.push(note(state.do_now.text, "care"));
  $("notes").replaceChildren(...notes);
  showQuestion(question);
}

function far({ planned_s, elapsed_s, step }) {
  const [done, of] = planned_s ? [elapsed_s, planned_s] : [step.done_s, step.expected_s];
  return of ? Math.min(done / of, 1) : 0;
}

function left({ planned_s, elapsed_s }) {
  if (!planned_s) return "";
  const seconds = Math.ceil(planned_s - elapsed_s);
  return seconds > 0 ? t("about %1 s left", seconds) : t("a moment more");
}

function didLine(each) {
  const bad = each.outcome === "fail" || each.skipped;
  const value = each.skipped ? t("skipped") : each.gist ?? [each.value, each.allowed && `(${each.allowed})`].filter(Boolean).join(" ");
  const line = made("li", bad ? "bad" : "", made("span", "", each.sign || (each.skipped ? "○" : "✓")), made("span", "", t(each.title)), made("span", "n", value));
  const why = each.skipped || (each.outcome && each.outcome !== "pass" ? [each.why, each.to_do].filter(Boolean).join(" ") : "");
  if (why) {
    const said = made("span", "why", why);
    said.lang = "en";
    line.append(said);
  }
  return line;
}

function note(text, kind, lang) {
  const made_ = made("p", `note ${kind}`, t(text));
  if (lang) made_.lang = lang;
  return made_;
}

function showQuestion(question) {
  show($("ask"), question !== null);
  show($("now"), question === null);
  if (question === null || question.question === asked) {
    if (question === null) asked = 0;
    return;
  }
  asked = question.question;
  wrong("ask-wrong", "");
  const reading = question.kind === "read";
  show($("ask-field"), reading);
  show($("ask-no"), question.kind === "warm" || question.kind === "keep");
  const [what, more, yes] = wording(question);
  put("ask-what", what);
  put("ask-more", more);
  put("ask-yes", yes);
  if (reading) {
    const field = $("ask-form").elements.reading;
    field.value = "";
    field.placeholder = question.usual === null ? "" : String(question.usual);
    put("ask-unit", question.unit);
    field.focus();
  } else {
    $("ask-what").focus(); // Enter pressed too early answers nothing; Tab or a moment's wait does
    setTimeout(() => document.activeElement === $("ask-what") && $("ask-yes").focus(), 400);
  }
}

function wording(question) {
  const off = t("Outputs are off.");
  switch (question.kind) {
    case "connect":
      return [t(question.text), question.control ? off : "", t("Done, go on")];
    case "read":
      return [t(question.text), question.usual === null ? "" : t("Empty takes %1.", question.usual), t("Take it")];
    case "warm":
      return [t("Test it with its coil at %1 °C too?", question.celsius), t("It takes some minutes, and the coil gets hot."), t("Yes")];
    case "part":
      return [t("Put part %1 on the bench, for %2.", question.part, question.operator), "", t("Done, go on")];
    default:
      return [question.text, t("Is it to be kept?"), t("Yes")];
  }
}

/** Wire the question's buttons; `current_` gives the question that is open. */
export function wireQuestions(current_) {
  const answer = async (value) => {
    const question = current_();
    if (!question) return;
    try {
      await send("/do/answer", { question: question.question, value });
      wrong("ask-wrong", "");
    } catch (error) {
      wrong("ask-wrong", error.message);
    }
  };
  $("ask-form").addEventListener("submit", (event) => {
    event.preventDefault();
    answer(current_()?.kind === "read" ? $("ask-form").elements.reading.value : true);
  });
  $("ask-no").addEventListener("click", () => answer(false));
}

/** Show what came of it. */
export function showVerdict(state) {
  const found = state.ended;
  const check = state.work.do !== "run";
  const { key, word, sentence } = said(found, state);
  $("verdict-box").className = `verdict ${key}`;
  $("verdict-shape").innerHTML = `<svg viewBox="0 0 64 64">${SHAPES[key]}</svg>`; // our own drawing, nothing typed
  put("verdict-word", word);
  put("verdict-sentence", sentence);
  put("verdict-cause", found.cause_says ? t(found.cause_says) : "");
  const constants = (found.found || []).map((each) => `${each.title} ${each.value}`);
  put("verdict-why", found.how === "verdict" ? found.why : found.error || [...(found.failed || []), ...constants].join("; "));
  const stood = found.how === "verdict" ? "" : found.bench_state;
  const hints = [found.hint, stood && `${t("Bench was left:")} ${stood}`].filter(Boolean);
  wrong("verdict-hint", hints.join(" "));
  show($("verdict-simulated"), Boolean(state.bench.simulated));
  const notes = [...(found.practice ? [note(found.practice, "care")] : []), ...state.said.map((text) => note(text, "care", "en"))];
  if (state.uncalibrated.length) notes.unshift(note(t("Uncalibrated: every result of this run is marked so."), "care"));
  $("verdict-notes").replaceChildren(...notes);
  show($("verdict-facts"), !check);
  show($("verdict-details"), Boolean(found.rows));
  put("fact-tag", state.work.tag || "");
  put("fact-model", state.work.model || "");
  put("fact-cause", found.cause ? `${t(found.cause)} (${found.sure})` : t("none"));
  put("fact-to-do", found.to_do ? `${t(found.to_do)}.` : t("Test it again."));
  put("fact-to-do-why", found.to_do_why || "");
  put("fact-run", state.run + (found.seconds ? `, ${t("%1 s on the bench", Math.round(found.seconds))}` : ""));
  for (const [id, what] of [["print-page", "page"], ["print-label", "label"]]) {
    show($(id), Boolean(state.run) && !check);
    $(id).href = `/${what}/${encodeURIComponent(state.run)}/print`;
  }
  show($("same-again"), !check);
  $("verdict-rows").replaceChildren(...(found.rows || []).map(rowLine));
}

function said(found, state) {
  switch (found.how) {
    case "verdict":
      return { key: found.key, word: t(found.word), sentence: t(found.sentence) };
    case "check ended":
      return found.passed
        ? { key: "accept", word: t("Passed"), sentence: t("The bench can be trusted today.") }
        : { key: "reject", word: t("Failed"), sentence: t("The bench is not to be trusted until this is put right.") };
    case "calibrated":
      return { key: "accept", word: t("Kept"), sentence: t("The new constant counts from now on: %1.", found.name) };
    case "stopped":
      if (state.work.do !== "run") return { key: "aborted", word: t("Stopped"), sentence: t("Nothing was kept.") };
      return { key: "aborted", word: t("Stopped"), sentence: state.run ? t("Nothing is said about the valve: test it again.") : t("Nothing was measured.") };
    case "died":
      return { key: "aborted", word: t("Aborted"), sentence: t("The program at the bench ended. The board turns all outputs off by itself within two seconds.") };
    default:
      if (state.work.do !== "run") return { key: "aborted", word: t("Bench fault"), sentence: t("Nothing was kept.") };
      return { key: "aborted", word: t("Bench fault"), sentence: t("This says nothing about the valve, neither good nor bad.") };
  }
}

function rowLine(row) {
  const outcome = made("td", `outcome ${row.outcome.replaceAll(" ", "-")}`, `${row.sign} ${t(row.outcome)}`);
  const title = made("th", "", t(row.title));
  title.scope = "row";
  const value = row.value === "not measured" ? t(row.value) : `${row.value} ${row.unit}`;
  return made("tr", "", title, made("td", "", value), made("td", "", row.limit ? `${row.limit} ${row.unit}` : ""), outcome);
}
