// What can not be seen now, by the service's word and by the page's own clock. Calm words must not outlive the sight of
// what they speak of: "no alarms" is said only while somebody looks.

/** Why it can not be known whether an alarm should stand, or "" while it can. */
export function alarmsUnseen(state, fresh) {
  if (!fresh.live) return fresh.connected ? "nothing comes any more" : "there is no connection to the service";
  return (state?.blind ?? []).find(({ part }) => part !== "forecast")?.words ?? "";
}

/** Why what is foreseen can not be relied on, or "" while it can. */
export const forecastUnseen = (state, fresh) => alarmsUnseen(state, fresh) || (state?.blind ?? [])[0]?.words || "";

/** Whether the reader itself is not heard. */
export const readerGone = (state) => (state?.blind ?? []).some(({ part }) => part === "reader");

const MEANS = {
  reader: "This page can not cut the supply now: use the supply's own switch.",
  watch: "Other alarms may be missing.",
  forecast: "Limits are judged as before.",
};

/** The parts that do not see, as sentences, with what it means. */
export const blindWords = (state) =>
  (state?.blind ?? []).map(
    ({ part, words }) => `${words.charAt(0).toUpperCase()}${words.slice(1)}. ${MEANS[part] ?? ""}`.trim(),
  );
