/* Talking to the server: patient with a lost connection, clear about refusals. */

const BACK_OFF_MS = [400, 800, 1600, 3000, 5000, 8000];
const JSON_TIMEOUT_MS = 10000;
const SOUND_TIMEOUT_MS = 60000;

/** The server answered and said no; `message` is a sentence for the listener. */
export class Refusal extends Error {
  constructor(status, message) {
    super(message);
    this.status = status;
  }
}

/** The page has gone; nobody waits for the answer any more. */
export class Abandoned extends Error {}

async function refusalOf(response) {
  try {
    const body = await response.json();
    if (typeof body.error === "string") return new Refusal(response.status, body.error);
  } catch (error) {
    if (!(error instanceof SyntaxError)) throw error;
  }
  return new Refusal(response.status, `The server refused the request (${response.status}).`);
}

/**
 * @param {string} base address of this sitting, e.g. "/listen/<token>"
 * @param {(lost: boolean) => void} onConnection told when the connection is lost and back
 */
export function createClient(base, onConnection) {
  const ended = new AbortController();
  let lost = false;

  function report(isLost) {
    if (isLost !== lost) onConnection(isLost);
    lost = isLost;
  }

  function pauseBetweenTries(attempt) {
    const wait = BACK_OFF_MS[Math.min(attempt, BACK_OFF_MS.length - 1)];
    return new Promise((resolve) => {
      const finish = () => {
        clearTimeout(timer);
        window.removeEventListener("online", finish);
        ended.signal.removeEventListener("abort", finish);
        resolve();
      };
      const timer = setTimeout(finish, wait);
      window.addEventListener("online", finish);
      ended.signal.addEventListener("abort", finish);
    });
  }

  async function once(path, options, timeoutMs, read) {
    const timeout = new AbortController();
    const timer = setTimeout(() => timeout.abort(), timeoutMs);
    const stop = () => timeout.abort();
    ended.signal.addEventListener("abort", stop);
    try {
      const response = await fetch(path, { cache: "no-store", ...options, signal: timeout.signal });
      if (response.status >= 500 || response.status === 429) return { retry: true };
      if (!response.ok) throw await refusalOf(response);
      return { value: await read(response) };
    } catch (error) {
      if (error instanceof Refusal) throw error;
      return { retry: true };
    } finally {
      clearTimeout(timer);
      ended.signal.removeEventListener("abort", stop);
    }
  }

  async function patiently(path, options, timeoutMs, read) {
    for (let attempt = 0; ; attempt += 1) {
      if (ended.signal.aborted) throw new Abandoned();
      const outcome = await once(path, options, timeoutMs, read);
      if (ended.signal.aborted) throw new Abandoned();
      if (!outcome.retry) {
        report(false);
        return outcome.value;
      }
      report(true);
      await pauseBetweenTries(attempt);
    }
  }

  const asJson = (response) => response.json();
  const asBytes = (response) => response.arrayBuffer();
  return {
    next: () => patiently(`${base}/next`, {}, JSON_TIMEOUT_MS, asJson),
    level: () => patiently(`${base}/level`, {}, JSON_TIMEOUT_MS, asJson),
    sound: (path) => patiently(path, {}, SOUND_TIMEOUT_MS, asBytes),
    post: (path, body) =>
      patiently(
        path,
        { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) },
        JSON_TIMEOUT_MS,
        asJson,
      ),
    end: () => ended.abort(),
  };
}
