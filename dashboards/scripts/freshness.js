// Whether what the page shows is still true. The service says how fresh its data are; that word itself grows old when
// nothing comes, so the page keeps its own watch and says "stale" within two seconds.

const STALE_S = 1.6;
const LOST_S = 5;
const LOOK_MS = 200;

/** Calls `onChange({connected, silent_s, live})`; `live` is false once nothing shown can be taken as present. */
export class Freshness {
  constructor(onChange) {
    this.onChange = onChange;
    this.lastEvent = performance.now();
    this.lastWall = Date.now();
    this.connected = null;
    this.flowing = false;
    this.said = "";
    setInterval(() => this.look(), LOOK_MS);
  }

  /** An event came; `flowing` is whether the service calls its data fresh, when the event says so. */
  heard(flowing) {
    this.lastEvent = performance.now();
    this.lastWall = Date.now();
    if (flowing !== undefined) this.flowing = flowing;
    this.look();
  }

  link(connected) {
    this.connected = connected;
    this.look();
  }

  /** Seconds since anything came. */
  silence() {
    return (performance.now() - this.lastEvent) / 1000;
  }

  look() {
    const silent = this.silence();
    // While data flow, the assessment alone makes an event a second; without them only the state comes, each 2 s.
    const late = silent > (this.flowing ? STALE_S : LOST_S);
    const live = this.connected !== false && !late;
    const now = {
      connected: this.connected !== false,
      live,
      silent_s: live ? 0 : silent,
      since: this.lastWall / 1000,
    };
    const key = `${now.connected} ${live} ${Math.floor(now.silent_s)}`;
    if (key === this.said) return;
    this.said = key;
    this.onChange(now);
  }
}
