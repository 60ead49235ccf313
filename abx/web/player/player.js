/* The listening session in the browser: level, practice, trials, breaks, the end.
 *
 * The loop runs here and talks to the server's routes; the page around it is not
 * involved until the session is over. Every state can be reached again by a reload:
 * the server knows the open trial, this module keeps the level and an answer that has
 * not been acknowledged yet.
 */

import { Abandoned, createClient, Refusal } from "./client.js";
import { parseBlob, SoundDataError } from "./engine.js";
import { el } from "./dial.js";
import { createHeadphoneCheck } from "./headphones.js";
import { createIdleWatch } from "./idle.js";
import { createLevelScreen, gainOf } from "./level.js";
import { createTrialScreen } from "./trial.js";

/* Storage may be switched off in the browser: then a reload starts at the level page. */
function createMemory(base) {
  const prefix = `earwitness ${base} `;
  const fallback = new Map();
  let store = null;
  try {
    store = window.localStorage;
    store.setItem(`${prefix}probe`, "1");
    store.removeItem(`${prefix}probe`);
  } catch (error) {
    console.info("earwitness: this browser keeps no site data", error.name);
    store = null;
  }
  return {
    get(name) {
      const text = store ? store.getItem(prefix + name) : fallback.get(name);
      return text === null || text === undefined ? null : JSON.parse(text);
    },
    set(name, value) {
      if (store) store.setItem(prefix + name, JSON.stringify(value));
      else fallback.set(name, JSON.stringify(value));
    },
    remove(name) {
      if (store) store.removeItem(prefix + name);
      else fallback.delete(name);
    },
  };
}

function createFrame() {
  const step = el("p", { class: "step" });
  const saved = el("p", { class: "saved", role: "status" });
  const fill = el("span", { class: "progress-fill" });
  const progress = el("div", {
    class: "progress",
    role: "progressbar",
    "aria-label": "Progress",
    "aria-valuemin": "0",
    hidden: true,
  }, fill);
  const notice = el("div", { class: "notice", role: "alert", hidden: true });
  const title = el("h1", { tabindex: "-1" });
  const lead = el("p", { class: "lead" });
  const body = el("div", { class: "body" });
  const node = el(
    "section",
    { class: "earwitness", "aria-label": "Listening session" },
    el("div", { class: "bar" }, step, saved),
    progress,
    notice,
    title,
    lead,
    body,
  );
  return {
    node,
    body,
    saved(text) {
      saved.textContent = text;
    },
    notice(text) {
      notice.textContent = text;
      notice.hidden = !text;
    },
    show({ message = false, stepText = "", titleText, leadText = "", done = null, of = null, content = [] }) {
      node.classList.toggle("message", message);
      step.textContent = stepText;
      title.textContent = titleText;
      lead.textContent = leadText;
      lead.hidden = !leadText;
      progress.hidden = of === null;
      if (of !== null) {
        progress.setAttribute("aria-valuemax", String(of));
        progress.setAttribute("aria-valuenow", String(done));
        fill.style.setProperty("--part", String(of ? done / of : 0));
      }
      body.replaceChildren(...content);
    },
    focus() {
      title.focus({ preventScroll: true });
    },
  };
}

function createSession(root, options) {
  const { base } = options;
  const frame = createFrame();
  const memory = createMemory(base);
  const settings = { shortcuts: true, keysOpen: false };
  const client = createClient(base, (lost) => {
    frame.notice(
      lost
        ? "The connection is lost. Nothing is lost with it: your answers are kept and we go on as soon as it is back."
        : "",
    );
  });
  /* Two tabs of one session may not sound at the same time. */
  const tabs = new BroadcastChannel(`earwitness ${base}`);
  let context = null;
  let screen = null;
  let ended = false;

  tabs.onmessage = () => {
    if (!screen || !screen.engine || !screen.engine.playing) return;
    screen.pause();
    frame.notice("This session is also open in another tab, which is playing now. Please keep only one of them.");
  };

  function tellTabs() {
    frame.notice("");
    tabs.postMessage("playing");
  }

  function contextAt(rate) {
    if (context && context.sampleRate === rate && context.state !== "closed") return context;
    if (context) context.close();
    const made = new AudioContext({ sampleRate: rate, latencyHint: "interactive" });
    context = made;
    made.onstatechange = () => {
      if (made === context && made.state !== "running" && screen && screen.engine && screen.engine.playing) screen.pause();
    };
    return context;
  }

  function leaveScreen() {
    if (screen && screen.dispose) screen.dispose();
    screen = null;
  }

  function message(titleText, leadText, buttonText, onPress, more = []) {
    leaveScreen();
    const button = buttonText
      ? [el("button", { type: "button", class: "main-button", onclick: once(onPress) }, buttonText)]
      : [];
    const content = [...more, el("div", { class: "confirm-row" }, ...button)];
    frame.show({ message: true, titleText, leadText, content });
    frame.focus();
  }

  function ownCode(code) {
    const shown = el("strong", { class: "own-code" }, code); // never broken at its hyphen
    return el("p", { class: "lead" }, "If you listen for us again, tell us your code: ", shown);
  }

  function once(action) {
    let used = false;
    return () => {
      if (used) return;
      used = true;
      guarded(action);
    };
  }

  /* Every path of the session runs in here, so that no failure is left without words. */
  async function guarded(action) {
    try {
      await action();
    } catch (error) {
      if (error instanceof Abandoned) return;
      if (error instanceof Refusal) refused(error);
      else {
        console.error(error);
        message(
          "Something went wrong",
          "Nothing you answered is lost. Please try again; if it happens twice, tell the person in charge.",
          "Try again",
          begin,
        );
      }
    }
  }

  function refused(error) {
    if (error.status === 410) message("The study is closed", error.message);
    else if (error.status === 404) {
      message("This session was not found", error.message, "Start again", () => {
        window.location.assign(window.location.pathname);
      });
    }
    else message("That did not work", error.message, "Try again", begin);
  }

  async function fetchBlob(path) {
    try {
      return parseBlob(await client.sound(path));
    } catch (error) {
      if (!(error instanceof SoundDataError)) throw error;
      return parseBlob(await client.sound(path));
    }
  }

  async function begin() {
    frame.show({ titleText: "One moment", leadText: "Fetching your place in the session." });
    const pending = memory.get("pending");
    if (pending) await deliver(pending);
    else await go(await client.next());
  }

  async function deliver(answer) {
    const isAnswer = answer.answer !== "heard";
    frame.saved(isAnswer ? "Saving your answer" : "");
    let reply;
    try {
      reply = await client.post(`${base}/answer`, answer);
    } catch (error) {
      if (!(error instanceof Refusal)) throw error;
      memory.remove("pending");
      frame.saved("");
      if (error.status === 422 && screen && screen.reopen) {
        screen.reopen();
        frame.notice(error.message);
        return;
      }
      if (error.status !== 409 && error.status !== 404) throw error;
      const next = await client.next();
      message("We go on with the next question", error.message, "Go on", () => go(next));
      return;
    }
    memory.remove("pending");
    frame.notice("");
    frame.saved(isAnswer ? "Answer saved" : "");
    if (reply.feedback) feedback(reply);
    else await go(reply.next);
  }

  function feedback(reply) {
    const right = reply.feedback.correct;
    message(
      right === null ? "That was practice" : right ? "Right" : "Not this time",
      reply.feedback.message ??
        (right
          ? "That is what you should have heard. This was practice; it does not count."
          : "That is fine: practice is for finding out what to listen for. It does not count."),
      "Go on",
      () => go(reply.next),
    );
  }

  async function go(reply) {
    if (reply.state === "trial") {
      if (memory.get("level") === null) await levelStep(() => go(reply));
      else await trialStep(reply);
    } else if (reply.state === "break") {
      message(
        reply.title ?? "Time for a short break",
        reply.message ?? "Ears tire before you notice. Get up, rest for a minute or two, then go on.",
        "Go on",
        async () => go(await (reply.resume ? client.post(reply.resume, {}) : client.next())),
      );
    } else if (reply.state === "closed") {
      message("The study is closed", reply.message ?? "Thank you for coming. No more answers are being collected.");
    } else finish(reply);
  }

  async function levelStep(onKept) {
    leaveScreen();
    frame.show({ titleText: "Set the level", leadText: "Loading the sound." });
    const reply = await client.level();
    const blob = await fetchBlob(reply.audio);
    const sound = { context: contextAt(blob.rate), blob, capDb: reply.cap_db, topDba: reply.top_dba };
    screen = createLevelScreen(sound, (levelDb) => {
      memory.set("level", levelDb);
      guarded(onKept);
    });
    frame.show({
      titleText: "Set the level",
      leadText: "Choose a level you could enjoy for an hour. If anything hurts or rings, stop and take the sound away.",
      content: [screen.node],
    });
    frame.focus();
  }

  async function trialStep(trial) {
    leaveScreen();
    const header = { titleText: trial.question };
    if (trial.of) {
      const word = { practice: "Practice", familiarisation: "First listen" }[trial.phase] ?? "Question";
      header.stepText = `${word} ${trial.number} of ${trial.of}`;
      header.done = trial.number - 1;
      header.of = trial.of;
    }
    frame.show({ ...header, leadText: "Loading the sound." });
    const asked = performance.now();
    const blob = await fetchBlob(trial.audio);
    const sound = { context: contextAt(blob.rate), blob, gain: gainOf(memory.get("level")) };
    screen = createTrialScreen(trial, sound, {
      playing: tellTabs,
      confirm: (answer) => {
        memory.set("pending", answer);
        guarded(() => deliver(answer));
      },
    }, settings);
    frame.show({ ...header, leadText: trial.phase === "familiarisation" ? trial.hint : "", content: [screen.node] });
    frame.node.dataset.loadMs = (performance.now() - asked).toFixed(0);
    frame.focus();
  }

  function finish(reply) {
    memory.remove("level");
    message(
      reply.title ?? "Thank you",
      reply.message ?? "That was the last question. Every answer is saved. You can close this page now.",
      null,
      null,
      options.code ? [ownCode(options.code)] : [],
    );
    if (context) context.close();
    context = null;
    options.onFinished();
  }

  function onKey(event) {
    if (screen && screen.key) screen.key(event);
  }

  function onHide() {
    if (document.visibilityState === "hidden" && screen && screen.pause) screen.pause();
  }

  document.addEventListener("keydown", onKey);
  document.addEventListener("visibilitychange", onHide);
  root.append(frame.node);
  const idle = options.idleS ? createIdleWatch(root, options.idleS, leave) : null;
  guarded(begin);

  function leave() {
    memory.remove("level");
    leaveScreen();
    options.onLeft();
  }

  return {
    base,
    end() {
      if (ended) return;
      ended = true;
      document.removeEventListener("keydown", onKey);
      document.removeEventListener("visibilitychange", onHide);
      client.end();
      tabs.close();
      if (idle) idle.end();
      leaveScreen();
      if (context) context.close();
      frame.node.remove();
    },
  };
}

function createCheck(root, { base, onChecked }) {
  const frame = createFrame();
  root.append(frame.node);
  const check = createHeadphoneCheck(frame, onChecked);
  return {
    base,
    end() {
      check.end();
      frame.node.remove();
    },
  };
}

function createWatch(root, { base, idleS, onLeft }) {
  const watch = createIdleWatch(root, idleS, onLeft);
  return { base, end: () => watch.end() };
}

const sessions = new WeakMap();

/** Entry point of the Streamlit component; called again on every rerun of the page. */
export default function mount(component) {
  const { data, parentElement, setTriggerValue } = component;
  const running = sessions.get(parentElement);
  if (running && running.base === data.base) return () => close(parentElement);
  if (running) running.end();
  const create = data.check ? createCheck : data.watch ? createWatch : createSession;
  const session = create(parentElement, {
    base: data.base,
    code: data.code,
    idleS: data.idle_s,
    onLeft: () => setTriggerValue("left", true),
    onFinished: () => setTriggerValue("finished", true),
    onChecked: (result) => setTriggerValue("checked", result),
  });
  sessions.set(parentElement, session);
  return () => close(parentElement);
}

function close(parentElement) {
  const session = sessions.get(parentElement);
  if (session) session.end();
  sessions.delete(parentElement);
}
