// What the store says: the day's tally, what a part has been through, what the bench rests on.

import { get, send } from "./asking.js";
import { intake } from "./intake.js";
import { $, made, put, show, wrong } from "./elements.js";
import { t } from "./texts.js";

export async function fillToday() {
  wrong("history-wrong", "");
  try {
    const found = await get("/today");
    const counts = [
      [t("tested"), found.tested], [t("accepted"), found.accept], [t("rejected"), found.reject],
      [t("undecided"), found.undecided], [t("stopped"), found.aborted],
      [t("s per valve"), found.seconds === null ? "–" : Math.round(found.seconds)],
    ];
    $("tally").replaceChildren(...counts.map(([name, value]) => made("div", "", made("dt", "", name), made("dd", "", String(value)))));
    $("batches").replaceChildren(...found.batches.map((each) => made("li", "", made("span", "sign", "·"), made("span", "", made("bdi", "", each.name), `: ${each.tested} ${t("tested")}, ${each.accept} ${t("accepted")}, ${each.reject} ${t("rejected")}, ${each.undecided} ${t("undecided")}`))));
    put("runs-head", t("Runs of today"));
    listRuns(found.runs);
  } catch (error) {
    wrong("history-wrong", error.message);
  }
}

function listRuns(runs) {
  $("runs").replaceChildren(...runs.map((run) => {
    const number = made("th", "");
    number.scope = "row";
    const link = made("a", "", run.run);
    link.href = `/page/${encodeURIComponent(run.run)}/print`;
    link.target = "_blank";
    link.rel = "noopener";
    number.append(link);
    const verdict = run.verdict || run.ending;
    return made("tr", "", number, made("td", "", run.when), made("td", "", made("bdi", "", run.tag)), made("td", "", run.model), made("td", `outcome ${verdict}`, t(verdict)), made("td", "", run.cause ? t(run.cause) : run.error));
  }));
}

export async function fillBench() {
  $("check-form").elements.operator.value ||= intake.operator;
  try {
    const found = await get("/bench");
    put("bench-title", [found.name, found.workshop].filter(Boolean).join(", "));
    const lines = [];
    const line = (kind, sign, text) => lines.push(made("li", kind, made("span", "sign", sign), made("span", "", text)));
    if (found.check) {
      const when = `${found.check.name}, ${found.check.when}, ${found.check.operator}`;
      if (found.check.passed) line("good", "✓", `${t("Last bench check passed")}: ${when}`);
      else line("bad", "✗", `${t("Last bench check failed")}: ${when}. ${found.check.failed.join(", ")}`);
    } else line("care", "○", t("This bench has not been checked yet."));
    if (found.forbidden) line("bad", "✗", found.forbidden);
    for (const each of found.missing) line("bad", "!", `${each.what}: ${each.why}. ${each.to_do}`);
    for (const each of found.rests_on) line("good", "✓", each);
    for (const each of found.remarks) line("", "·", each);
    if (found.chart) {
      const link = made("a", "", t("Charts of the check valve %1", found.chart.tag));
      Object.assign(link, { href: "/chart/print", target: "_blank", rel: "noopener" });
      const said = made("span", "", ` ${found.chart.advice} ${found.chart.warns.join(", ")}`);
      said.lang = "en";
      lines.push(made("li", found.chart.warns.length ? "bad" : "good", made("span", "sign", found.chart.warns.length ? "!" : "✓"), made("span", "inline-link", link, said)));
    }
    $("bench-state").replaceChildren(made("ul", "state", ...lines));
    $("kinds").replaceChildren(...found.kinds.map((each) => {
      const option = made("option", "", each.title);
      option.value = each.kind;
      return option;
    }));
  } catch (error) {
    $("bench-state").replaceChildren(made("p", "note bad", error.message));
  }
}

export function wireStorePages() {
  $("history-form").addEventListener("submit", async (event) => {
    event.preventDefault();
    const typed = event.target.elements.tag.value;
    if (!typed.trim()) return fillToday();
    try {
      const found = await get(`/tag?typed=${encodeURIComponent(typed)}`);
      wrong("history-wrong", found.runs.length ? "" : t("No run of this tag is in the store."));
      put("runs-head", t("Runs of %1", found.tag));
      listRuns(found.runs);
    } catch (error) {
      wrong("history-wrong", error.message);
    }
  });
  const begin = (name, what) => $(`${name}-form`).addEventListener("submit", async (event) => {
    event.preventDefault();
    try {
      await send("/do/start", { do: name, operator: $("check-form").elements.operator.value, ...what() });
      wrong(`${name}-wrong`, "");
    } catch (error) {
      wrong(`${name}-wrong`, error.message);
    }
  });
  begin("check", () => ({}));
  begin("calibrate", () => ({ kind: $("kinds").value }));
}
