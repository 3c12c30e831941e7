// Small helpers for elements. Text only ever goes in as text.

export const $ = (id) => document.getElementById(id);

export function show(element, visible) {
  element.hidden = !visible;
}

/** A new element with a class and text or children in it. */
export function made(name, className, ...inside) {
  const element = document.createElement(name);
  if (className) element.className = className;
  element.append(...inside);
  return element;
}

export function put(id, text) {
  const element = $(id);
  if (element.textContent !== text) element.textContent = text;
}

/** Say what is wrong in a note of its own, or take it away. */
export function wrong(id, text) {
  put(id, text);
  show($(id), text !== "");
}
