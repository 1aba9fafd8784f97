// The shapes that go with words and colours, so that no meaning hangs on colour alone. Drawn here, as SVG elements.

const SVG = "http://www.w3.org/2000/svg";

// On a 20 x 20 sheet. The more corners are filled, the more it matters.
const DRAWN = {
  plain: [["circle", { cx: 10, cy: 10, r: 4.5, class: "line" }]],
  recording: [
    ["circle", { cx: 10, cy: 10, r: 7.5, class: "line" }],
    ["circle", { cx: 10, cy: 10, r: 4, class: "full" }],
  ],
  idle: [["rect", { x: 4, y: 9, width: 12, height: 2.4, class: "full" }]],
  unknown: [
    ["circle", { cx: 10, cy: 10, r: 7.5, class: "line broken" }],
    ["path", { d: "M7.6 8a2.5 2.5 0 1 1 3.6 2.2c-.9.5-1.2.9-1.2 1.9M10 14.2v.9", class: "line" }],
  ],
  low: [["path", { d: "M3 14.5h14M5.5 10h9M8 5.5h4", class: "line" }]],
  medium: [
    ["path", { d: "M3.5 6.5h13v7h-13z", class: "line" }],
    ["path", { d: "M3.5 10h13v3.5h-13z", class: "full" }],
  ],
  high: [
    ["path", { d: "M10 2.2 18.2 17H1.8z", class: "full" }],
    ["path", { d: "M10 7.6v4.6M10 13.8v1.4", class: "cut" }],
  ],
  critical: [
    ["path", { d: "M6.6 1.8h6.8l4.8 4.8v6.8l-4.8 4.8H6.6l-4.8-4.8V6.6z", class: "full" }],
    ["path", { d: "M6.6 6.6l6.8 6.8M13.4 6.6l-6.8 6.8", class: "cut" }],
  ],
  cut: [["path", { d: "M2 10h5M13 10h5M7 10l5.4-5.6", class: "line" }]],
  note: [["path", { d: "M5 18V3.5h10l-2.6 3.4L15 10.3H5", class: "line" }]],
};

/** A shape by name, hidden from screen readers: the words beside it say the same. */
export function shape(name) {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", "0 0 20 20");
  svg.setAttribute("class", "shape");
  svg.setAttribute("aria-hidden", "true");
  svg.dataset.shape = name;
  for (const [tagName, attributes] of DRAWN[name] ?? DRAWN.unknown) {
    const part = document.createElementNS(SVG, tagName);
    for (const [key, value] of Object.entries(attributes)) part.setAttribute(key, String(value));
    svg.append(part);
  }
  return svg;
}

/** Put a shape into a holder, unless it is there already. */
export function setShape(holder, name) {
  if (holder.firstElementChild?.dataset.shape !== name) holder.replaceChildren(shape(name));
}

export const PRIORITY_WORDS = { critical: "Critical", high: "High", medium: "Medium", low: "Low" };

/** A badge: shape, word and colour for one priority, or other words at its level. */
export function badge(priority, words = PRIORITY_WORDS[priority] ?? priority) {
  const span = document.createElement("span");
  span.className = "badge";
  span.dataset.level = priority;
  span.append(shape(priority), words);
  return span;
}
