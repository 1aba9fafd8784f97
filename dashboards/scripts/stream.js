// One event stream for all tabs of this browser. A browser allows six connections to a service, so only one tab,
// the leader, holds the stream and relays it; when it closes, the next in the queue of the lock takes over and
// asks for what came since the last event that it saw.
//
// Locks exist only on secure origins (https, or this computer itself). Elsewhere each tab holds its own stream while
// it is visible and lets go of it while it is hidden.

const NAME = "lyewatch-stream";
const BEAT_MS = 1000;
const LEADER_LOST_MS = 4500;
const KINDS = ["samples", "assessment", "state"];

/** Listens to the service and calls back; `onEvent(kind, data)` for each event, `onLink(connected)` on a change. */
export class SharedStream {
  constructor({ onEvent, onLink, url = "/api/stream" }) {
    this.onEvent = onEvent;
    this.onLink = onLink;
    this.url = url;
    this.lastId = "";
    this.lastHeard = performance.now();
    this.connected = null;
    this.leading = false;
    this.source = null;
    this.retry = null;
    this.delay = 500;
    this.waiting = null;
    this.channel = "BroadcastChannel" in globalThis ? new BroadcastChannel(NAME) : null;
    this.shared = this.channel !== null && Boolean(navigator.locks);
  }

  start() {
    if (this.shared) {
      this.channel.onmessage = ({ data }) => this.#relayed(data);
      this.#queue();
      this.beat = setInterval(() => this.#beat(), BEAT_MS);
    } else {
      document.addEventListener("visibilitychange", () => (document.hidden ? this.#close() : this.#open()));
      if (!document.hidden) this.#open();
    }
    // A page that the browser keeps for the back button must not hold the stream meanwhile.
    addEventListener("pagehide", () => this.#close());
    addEventListener("pageshow", (event) => {
      if (event.persisted && (this.leading || !this.shared)) this.#open();
    });
  }

  #queue({ steal = false } = {}) {
    this.waiting?.abort();
    this.waiting = steal ? null : new AbortController();
    const mine = this.waiting;
    navigator.locks
      .request(NAME, steal ? { steal } : { signal: mine.signal }, () => {
        this.leading = true;
        this.#open();
        return new Promise(() => {}); // held until the tab closes or the lock is taken away
      })
      .catch((error) => {
        if (error.name !== "AbortError") throw error;
        if (mine?.signal.aborted) return; // given up to take the lock by force
        // Another tab heard nothing from this one (a phone had put it to sleep) and took over.
        this.leading = false;
        this.#close();
        this.#queue();
      });
  }

  #beat() {
    if (this.leading) {
      this.#post({ beat: true, connected: this.connected });
    } else if (!document.hidden && performance.now() - this.lastHeard > LEADER_LOST_MS) {
      this.lastHeard = performance.now();
      this.#queue({ steal: true });
    }
  }

  #post(message) {
    this.channel?.postMessage(message);
  }

  #relayed(message) {
    this.lastHeard = performance.now();
    if (this.leading) return;
    if (message.kind) this.#take(message.kind, message.data, message.id);
    if (message.connected !== null && message.connected !== undefined) this.#link(message.connected);
  }

  #open() {
    if (this.source) return;
    clearTimeout(this.retry);
    const after = this.lastId ? `?after=${encodeURIComponent(this.lastId)}` : "";
    const source = new EventSource(this.url + after);
    this.source = source;
    source.onopen = () => {
      this.delay = 500;
      this.#link(true);
    };
    source.onerror = () => {
      this.#link(false);
      if (source.readyState !== EventSource.CLOSED) return; // it tries again by itself, with Last-Event-ID
      this.#close();
      this.retry = setTimeout(() => this.#open(), this.delay * (0.8 + 0.4 * Math.random()));
      this.delay = Math.min(5000, this.delay * 2);
    };
    for (const kind of KINDS) {
      source.addEventListener(kind, (event) => {
        const data = JSON.parse(event.data);
        this.#take(kind, data, event.lastEventId);
        if (this.shared) this.#post({ kind, data, id: event.lastEventId, connected: true });
      });
    }
  }

  #close() {
    clearTimeout(this.retry);
    this.source?.close();
    this.source = null;
  }

  #take(kind, data, id) {
    if (id) this.lastId = id;
    this.onEvent(kind, data);
  }

  #link(connected) {
    if (this.connected === connected) return;
    this.connected = connected;
    this.onLink(connected);
    if (this.leading && this.shared) this.#post({ beat: true, connected });
  }
}
