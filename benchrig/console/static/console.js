// The page: one view of what goes on at the bench, and around it what a person does before and after.

import { send } from "./asking.js";
import { $, put, show } from "./elements.js";
import { intake, nextPart, scanned, settled, showStage, wireIntake } from "./intake.js";
import { drawSamples, showLive, showVerdict, wireQuestions } from "./live.js";
import { fillBench, fillToday, wireStorePages } from "./store_pages.js";
import { loadTexts, t } from "./texts.js";

const WATCHED = "benchrig-watched"; // the work whose verdict this browser has not put aside yet
const AT_MACHINE_SPEED_MS = 45;
let state = null, server = "", view = "test", shown = "";

/** Show what is to be shown now: what goes on, its verdict until somebody goes on, or the part that is being taken in. */
function redraw(fresh = false) {
  if (state === null) return;
  const busy = state.phase === "working" || state.phase === "asking";
  if (busy) sessionStorage.setItem(WATCHED, `${server}-${state.number}`);
  const ended = state.phase === "ended" && sessionStorage.getItem(WATCHED) === `${server}-${state.number}`;
  const stage = busy ? "live" : view === "test" && ended ? "verdict" : view;
  document.body.classList.toggle("working", busy);
  for (const each of document.querySelectorAll(".stage")) if (each.id !== stage && stage !== "test") show(each, false);
  for (const name of ["live", "verdict", "today", "bench"]) show($(name), name === stage);
  if (busy) view = "test";
  const changed = shown !== `${stage}-${state.number}`;
  shown = `${stage}-${state.number}`;
  if (stage === "live") {
    for (const each of document.querySelectorAll(".tag-shown")) each.textContent = state.work.tag || "";
    showLive(state);
    if (changed) $("live-head").focus();
  } else if (stage === "verdict") {
    showVerdict(state);
    if (changed) {
      scrollTo(0, 0);
      $("next-form").elements.next.focus({ preventScroll: true });
    }
  } else if (stage === "test") {
    showStage(fresh || changed);
  } else if (changed || fresh) {
    (stage === "today" ? fillToday : fillBench)();
    $(stage).querySelector("h1").focus();
  }
  markStage(stage === "test" ? intake.stage : stage);
  put("status", status(busy, ended));
}

function status(busy, ended) {
  if (busy && state.stopping) return t("Stopping: the bench is being made safe.");
  if (state.phase === "asking") return t("The bench waits for you.");
  if (busy) return [t(state.step.title || "Connecting to the bench"), state.work.tag].filter(Boolean).join(" · ");
  return ended ? t("The bench is at rest. Outputs are off.") : t("The bench is at rest.");
}

function markStage(stage) {
  const items = [...$("stages").children];
  const at = items.findIndex((each) => each.dataset.stage === stage);
  show($("stages"), at >= 0);
  items.forEach((each, n) => {
    each.classList.toggle("past", n < at);
    if (n === at) each.setAttribute("aria-current", "step");
    else each.removeAttribute("aria-current");
  });
  for (const each of document.querySelectorAll("[data-show]")) {
    if (each.dataset.show === view) each.setAttribute("aria-current", "page");
    else each.removeAttribute("aria-current");
  }
}

function listen() {
  const news = new EventSource("/live");
  let silent = setTimeout(() => show($("away"), true), 5000);
  news.onmessage = (event) => {
    clearTimeout(silent);
    show($("away"), false);
    const heard = JSON.parse(event.data);
    if (heard.server) {
      if (server && heard.server !== server) return location.reload(); // the console was started anew
      server = heard.server;
    }
    state = heard.state;
    put("bench-name", state.bench.name || (document.body.dataset.simulated ? t("Simulated bench") : ""));
    redraw();
    drawSamples(heard.samples, state.number);
  };
  news.onerror = () => {
    clearTimeout(silent);
    silent = setTimeout(() => show($("away"), true), 1500);
  };
}

function goOn(tag = "") {
  sessionStorage.removeItem(WATCHED);
  view = "test";
  nextPart(tag);
}

function stop() {
  if (state) state.stopping = true;
  send("/do/stop").catch(() => show($("away"), true));
}

/** What a scanner types while no field waits for it is a tag; its Enter presses no button. */
function wireScanner() {
  let typed = "", last = 0;
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape") {
      event.preventDefault();
      stop();
      return;
    }
    if (event.repeat && event.key === "Enter") event.preventDefault(); // a key that lies on the keyboard
    const now = performance.now();
    if (event.target.matches("input:not([type=radio]):not([type=checkbox]), textarea, select")) return;
    if (now - last > AT_MACHINE_SPEED_MS) typed = "";
    last = now;
    if (event.key.length === 1 && !event.ctrlKey && !event.metaKey && !event.altKey) {
      typed += event.key;
      if (typed.length > 1) event.preventDefault();
    } else if (event.key === "Enter" && typed.length >= 4) {
      event.preventDefault();
      const tag = typed;
      typed = "";
      if (state && (state.phase === "idle" || state.phase === "ended") && view === "test") {
        sessionStorage.removeItem(WATCHED);
        scanned(tag);
      }
    }
  }, true);
}

await loadTexts();
wireIntake(redraw);
wireStorePages();
wireQuestions(() => state?.question ?? null);
wireScanner();
$("stop").addEventListener("click", stop);
$("next-form").addEventListener("submit", (event) => {
  event.preventDefault();
  const field = event.target.elements.next;
  const tag = field.value.trim();
  field.value = "";
  goOn(tag);
});
$("same-again").addEventListener("click", () => {
  const { tag } = state.work;
  goOn(tag);
});
for (const each of document.querySelectorAll("[data-show]")) {
  each.addEventListener("click", () => {
    view = each.dataset.show;
    redraw(true);
  });
}
listen();
