// Small helpers to make and change elements. Everything goes in as text, never as markup, so that a run named
// "<script>" stays a name.

/** Make an element: make("p", {class: "quiet", hidden: true}, "text", child). */
export function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on") && typeof value === "function") element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, value === true ? "" : String(value));
  }
  element.append(...children.filter((child) => child !== null && child !== undefined && child !== false));
  return element;
}

/** Change an element's text only when it differs: an unchanged text is not announced and costs no layout. */
export function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/** Show or hide. */
export function show(element, visible) {
  if (element.hidden === visible) element.hidden = !visible;
}

/** Set a data attribute, or remove it when the value is empty; the styles hang on these. */
export function tag(element, name, value) {
  if (value === null || value === undefined || value === "") {
    if (name in element.dataset) delete element.dataset[name];
  } else if (element.dataset[name] !== value) element.dataset[name] = value;
}

/** The element with that id; a missing one is a fault of the page and says so. */
export function byId(id) {
  const element = document.getElementById(id);
  if (!element) throw new Error(`the page has no element "${id}"`);
  return element;
}

let counter = 0;
/** An id that no other element has, to tie labels to fields. */
export function freshId(stem) {
  counter += 1;
  return `${stem}-${counter}`;
}

/** Read a remembered text; a browser that keeps nothing gives the fallback. */
export function recall(key, fallback = "") {
  try {
    return localStorage.getItem(`lyewatch.${key}`) ?? fallback;
  } catch {
    return fallback; // storage may be switched off; then nothing is remembered and all else works
  }
}

/** Remember a text in this browser. */
export function remember(key, value) {
  try {
    localStorage.setItem(`lyewatch.${key}`, value);
  } catch {
    // see recall
  }
}

export const calmMotion = matchMedia("(prefers-reduced-motion: reduce)");
