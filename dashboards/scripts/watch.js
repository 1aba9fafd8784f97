// What every page has: the band, the button that cuts the supply, a voice, and one ear on the service.

import { Band } from "./band.js";
import { byId } from "./dom.js";
import { Freshness } from "./freshness.js";
import { SharedStream } from "./stream.js";
import { Sound } from "./sound.js";
import { CutButton } from "./supply.js";

/** Start the band and the stream. `onEvent(kind, data)` and `onFresh(fresh, state)` are the page's own. */
export function watchBench(here, { onEvent = () => {}, onFresh = () => {}, elapsed = () => null } = {}) {
  document.documentElement.dataset.title = document.title;
  const band = new Band(byId("band"), here);
  const cut = new CutButton(band.cutPlace);
  const sound = new Sound(band.soundPlace);
  let state = null;
  let fresh = { connected: true, live: true, silent_s: 0, since: Date.now() / 1000 };
  const tell = () => {
    band.tell(state, fresh, elapsed());
    sound.tell(state, fresh);
    if (state) cut.tell(state, fresh.live && state.data.state === "fresh");
  };
  const freshness = new Freshness((now) => {
    fresh = now;
    tell();
    onFresh(fresh, state);
  });
  const stream = new SharedStream({
    onLink: (connected) => freshness.link(connected),
    onEvent: (kind, data) => {
      if (kind === "state") state = data;
      freshness.heard(kind === "state" ? data.data.state === "fresh" : kind === "samples" ? true : undefined);
      onEvent(kind, data);
      if (kind === "state") tell();
    },
  });
  tell();
  stream.start();
  setInterval(tell, 1000);
  return { band, stream, tell, state: () => state, fresh: () => fresh };
}
