// Moving along a recorded run: drag to zoom, wheel, pinch, keys. The chart hands on what was meant; the page decides.

const WHEEL_STEP = 1.2;

/**
 * Tie a chart to `nav`: {zoom(factor, at), pan(share), whole()}, where `at` is a time and `share` a part of the
 * visible stretch. The wheel zooms with Ctrl held, or alone once the chart has been chosen by click or Tab: a page
 * full of charts must still scroll.
 */
export function navigation(chart, nav) {
  const { holder, plot } = chart;
  const { over } = plot;
  over.classList.add("moves");

  over.addEventListener(
    "wheel",
    (event) => {
      const chosen = holder.contains(document.activeElement);
      const sideways = Math.abs(event.deltaX) > Math.abs(event.deltaY);
      if (!event.ctrlKey && !event.metaKey && !event.shiftKey && !chosen && !sideways) return;
      event.preventDefault();
      if (event.shiftKey || sideways) nav.pan((event.deltaX || event.deltaY) / over.clientWidth);
      else nav.zoom(event.deltaY > 0 ? WHEEL_STEP : 1 / WHEEL_STEP, timeAt(event.clientX));
    },
    { passive: false },
  );
  over.addEventListener("dblclick", () => nav.whole());
  over.addEventListener("mousedown", () => holder.focus({ preventScroll: true }));

  holder.addEventListener("keydown", (event) => {
    const done = {
      "+": () => nav.zoom(0.5, cursorTime()),
      "=": () => nav.zoom(0.5, cursorTime()),
      "-": () => nav.zoom(2, cursorTime()),
      0: () => nav.whole(),
      Escape: () => nav.whole(),
    }[event.key];
    const panned = event.shiftKey && { ArrowLeft: -0.2, ArrowRight: 0.2 }[event.key];
    if (event.ctrlKey || event.metaKey || event.altKey || (!done && !panned)) return;
    event.preventDefault();
    if (panned) nav.pan(panned);
    else done();
  });

  function timeAt(clientX) {
    return plot.posToVal(clientX - over.getBoundingClientRect().left, "x");
  }
  function cursorTime() {
    return plot.cursor.left >= 0
      ? plot.posToVal(plot.cursor.left, "x")
      : (plot.scales.x.min + plot.scales.x.max) / 2;
  }

  // Fingers: one moves along, two zoom; up and down stays the page's (touch-action in the styles).
  const fingers = new Map();
  over.addEventListener("pointerdown", (event) => {
    if (event.pointerType === "touch") fingers.set(event.pointerId, event.clientX);
  });
  over.addEventListener("pointermove", (event) => {
    if (!fingers.has(event.pointerId)) return;
    const before = [...fingers.values()];
    const moved = event.clientX - fingers.get(event.pointerId);
    fingers.set(event.pointerId, event.clientX);
    const after = [...fingers.values()];
    if (after.length === 1) nav.pan(-moved / over.clientWidth);
    else if (after.length === 2) {
      const [was, is] = [before, after].map(([a, b]) => Math.max(12, Math.abs(a - b)));
      nav.zoom(was / is, timeAt((after[0] + after[1]) / 2));
    }
  });
  for (const end of ["pointerup", "pointercancel", "pointerleave"])
    over.addEventListener(end, (event) => fingers.delete(event.pointerId));
}

/** The visible stretch [from, to] of a run that lasts `length` seconds, never outside it and never below `least`. */
export class Stretch {
  constructor(length, least = 1) {
    this.least = least;
    this.length = length;
    this.from = 0;
    this.to = length;
  }

  get isWhole() {
    return this.from <= 0 && this.to >= this.length;
  }

  /** The run has grown; what showed the whole goes on doing so. */
  grow(length) {
    const whole = this.isWhole;
    this.length = length;
    if (whole) this.set(0, length);
  }

  set(from, to) {
    const width = Math.min(this.length, Math.max(this.least, to - from));
    const middle = (from + to) / 2;
    this.from = Math.min(Math.max(0, middle - width / 2), this.length - width);
    this.to = this.from + width;
  }

  zoom(factor, at = (this.from + this.to) / 2) {
    const width = Math.min(this.length, Math.max(this.least, (this.to - this.from) * factor));
    const share = (at - this.from) / (this.to - this.from);
    const from = at - share * width;
    this.set(from, from + width);
  }

  pan(share) {
    const step = share * (this.to - this.from);
    this.set(this.from + step, this.to + step);
  }
}
