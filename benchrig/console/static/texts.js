// The page's texts in the browser's language; English texts are their own keys.

let found = {};

export async function loadTexts() {
  found = await (await fetch("/texts")).json();
}

/** A text in the page's language; "%1", "%2" ... stand for values. */
export function t(text, ...values) {
  return (found[text] || text).replace(/%(\d)/g, (_, n) => values[n - 1]);
}
