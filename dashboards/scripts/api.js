// Asking the service and telling it. Every failure becomes one sentence that says what to do.

const WAIT_MS = 8000;

/** What the service refused, or that it did not answer. `message` is a whole sentence. */
export class Refused extends Error {
  constructor(message, status = 0) {
    super(message);
    this.name = "Refused";
    this.status = status;
  }
}

function sentence(body, status) {
  const error = body?.error;
  if (error?.message) {
    const place = error.place ? `${error.place}: ` : "";
    const found =
      error.value === null || error.value === undefined || error.value === ""
        ? ""
        : ` (found ${error.value})`;
    const remedy = error.remedy ? `; ${error.remedy}` : "";
    return `${place}${error.message}${found}${remedy}.`.replace(/\.+$/, ".");
  }
  return `The service answered ${status}; look at its own window for the reason.`;
}

async function ask(path, { method = "GET", body, file, signal, waitMs = WAIT_MS } = {}) {
  // One controller for both reasons to give up; AbortSignal.any would shut out phones of a few years ago.
  const controller = new AbortController();
  let late = false;
  const timer = setTimeout(() => {
    late = true;
    controller.abort();
  }, waitMs);
  const giveUp = () => controller.abort();
  signal?.addEventListener("abort", giveUp);
  if (signal?.aborted) giveUp();
  try {
    return await exchange(path, method, body, file, controller.signal);
  } catch (error) {
    if (error instanceof Refused || signal?.aborted) throw error;
    if (late) throw new Refused(`The service did not answer within ${Math.round(waitMs / 1000)} s.`);
    throw new Refused("The service cannot be reached.");
  } finally {
    clearTimeout(timer);
    signal?.removeEventListener("abort", giveUp);
  }
}

async function exchange(path, method, body, file, signal) {
  const options = { method, signal, headers: { Accept: "application/json" } };
  if (body !== undefined) {
    options.headers["Content-Type"] = "application/json";
    options.body = JSON.stringify(body);
  }
  if (file !== undefined) {
    options.headers["Content-Type"] = "text/csv";
    options.body = file;
  }
  const response = await fetch(path, options);
  const text = await response.text();
  let answer = null;
  try {
    answer = JSON.parse(text);
  } catch {
    answer = null; // an answer without JSON has only its status to tell
  }
  if (!response.ok) throw new Refused(sentence(answer, response.status), response.status);
  return answer ?? {};
}

/** GET a path. */
export function get(path, options = {}) {
  return ask(path, options);
}

/** Send JSON with POST, or with the method given. */
export function send(path, body, options = {}) {
  return ask(path, { method: "POST", ...options, body });
}

/** Send a log as it is; what is made of it may take a while. */
export function sendFile(path, file, options = {}) {
  return ask(path, { method: "POST", waitMs: 900000, ...options, file });
}

/** A path with a name inside it made safe. */
export function path(strings, ...names) {
  return strings.reduce(
    (whole, part, i) => whole + part + (i < names.length ? encodeURIComponent(names[i]) : ""),
    "",
  );
}
