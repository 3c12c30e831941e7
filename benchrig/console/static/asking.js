// What the page sends to the console: only with the token that stands in it, so that no other site can.

import { t } from "./texts.js";

const token = document.querySelector("meta[name=page-token]").content;

/** Send a document; return what came back, or throw an Error with words for a person. */
export async function send(path, document_ = {}) {
  let answer;
  try {
    answer = await fetch(path, {
      method: "POST",
      headers: { "content-type": "application/json", "x-page-token": token },
      body: JSON.stringify(document_),
    });
  } catch {
    throw new Error(t("The console does not answer."));
  }
  return read(answer);
}

/** Ask for a document. */
export async function get(path) {
  let answer;
  try {
    answer = await fetch(path);
  } catch {
    throw new Error(t("The console does not answer."));
  }
  return read(answer);
}

async function read(answer) {
  if (answer.status === 403) location.reload(); // the console was started anew
  const found = (answer.headers.get("content-type") || "").includes("json") ? await answer.json() : {};
  if (!answer.ok) throw new Error([found.error, found.hint].filter(Boolean).join(" ") || answer.statusText);
  return found;
}
