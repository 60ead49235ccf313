/* The level page: begins very quiet, rises slowly, never passes a cap, then locks. */

import { createEngine, sharedEnvelope } from "./engine.js";
import { barCount, createDial, el } from "./dial.js";

const QUIET_DB = -42;
const STEP_DB = 1.5;
const RISE_DB_PER_S = 1.5;

export function gainOf(levelDb) {
  return 10 ** (Math.min(0, levelDb) / 20);
}

/**
 * @param {object} sound `{context, blob, capDb, topDba}`: the highest setting, 0 dB or less, and
 *   the level in dBA that was measured at 0 dB, where somebody measured it
 * @param {(levelDb: number) => void} keep called once with the level to lock
 */
export function createLevelScreen(sound, keep) {
  const capDb = Math.min(0, sound.capDb ?? 0);
  const floorDb = Math.min(QUIET_DB, capDb - 30);
  const isKnown = typeof sound.topDba === "number";
  const engine = createEngine(sound.context, sound.blob, { gain: gainOf(floorDb), adjustable: true });
  const steps = Math.round((capDb - floorDb) / STEP_DB);
  let levelDb = floorDb;
  let rising = true;
  let started = false;
  let kept = false;

  const dial = createDial(engine.duration, sharedEnvelope(sound.blob, barCount()), { toggle });
  const fill = el("span", { class: "meter-fill" });
  const meter = el("div", {
    class: "meter",
    role: "meter",
    "aria-label": "Level",
    "aria-valuemin": "0",
    "aria-valuemax": String(steps),
  }, fill);
  const words = el("p", { class: "hint", role: "status" });
  const ears = el("p", { class: "small level-dba", hidden: !isKnown });
  const hold = el("button", { type: "button", class: "main-button hold", onclick: holdHere }, "Hold it here");
  const quieter = el("button", { type: "button", class: "step-button quieter", onclick: () => step(-1) }, "Quieter");
  const louder = el("button", { type: "button", class: "step-button louder", onclick: () => step(1) }, "Louder");
  const done = el(
    "button",
    { type: "button", class: "main-button keep", onclick: finish },
    "Keep this level",
  );
  const node = el(
    "div",
    { class: "level" },
    el("div", { class: "level-stage" }, dial.node, el("div", { class: "level-side" }, meter, ears, words,
      el("div", { class: "level-buttons" }, quieter, louder), hold, done)),
    el("p", { class: "small" }, "Keys: space starts, stops the rise; \u2191 \u2193 louder or quieter; enter keeps the level."),
  );

  function holdHere() {
    rising = false;
    refresh();
  }

  function toggle() {
    if (engine.playing) engine.pause();
    else {
      sound.context.resume();
      started = true;
      engine.play(0);
    }
    refresh();
  }

  function set(next) {
    levelDb = Math.min(capDb, Math.max(floorDb, next));
    engine.setGain(gainOf(levelDb));
  }

  function step(direction) {
    if (!started) return;
    rising = false;
    set(levelDb + direction * STEP_DB);
    refresh();
  }

  function finish() {
    if (done.disabled || kept) return;
    kept = true;
    engine.pause();
    keep(levelDb);
  }

  function sentence() {
    if (!started) return "Set your device to a low volume, then start the sound. It begins very quiet.";
    if (!engine.playing) return "Paused. Start the sound to go on.";
    if (levelDb >= capDb && capDb < 0) {
      return "This is as loud as we play here: more would be too much for a day.";
    }
    if (levelDb >= capDb) {
      return "This is as loud as we play. If you need more, raise the volume of your device, gently.";
    }
    if (rising) return "The sound rises slowly. Hold it as soon as it is comfortable, like music you could listen to for an hour.";
    return "Fine-tune if you like. When you keep the level it stays the same for every question.";
  }

  function refresh() {
    const value = Math.round((levelDb - floorDb) / STEP_DB);
    fill.style.setProperty("--part", String(value / steps));
    meter.setAttribute("aria-valuenow", String(value));
    const known = isKnown ? `about ${Math.round(sound.topDba + levelDb)} dBA` : "";
    meter.setAttribute("aria-valuetext", [`step ${value} of ${steps}`, known].filter(Boolean).join(", "));
    ears.textContent = known ? `At your ears: at most ${known}. Recommended for 8 hours a day: at most 85 dBA.` : "";
    const text = sentence();
    if (words.textContent !== text) words.textContent = text;
    hold.hidden = !started || !rising;
    done.hidden = !hold.hidden || !started;
    done.disabled = !started || kept;
    quieter.disabled = !started;
    louder.disabled = !started || levelDb >= capDb;
    dial.update(engine.position(), engine.playing);
  }

  let last = performance.now();
  const timer = setInterval(() => {
    const now = performance.now();
    const elapsed = (now - last) / 1000;
    last = now;
    if (rising && engine.playing) {
      set(levelDb + RISE_DB_PER_S * Math.min(0.25, elapsed));
      if (levelDb >= capDb) rising = false;
    }
    refresh();
  }, 50);

  function key(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const target = event.composedPath()[0];
    const onControl = target instanceof Element && target.matches("button:focus-visible, summary");
    if ((event.key === " " || event.key === "Enter") && (onControl || event.repeat)) return;
    if (event.key === "ArrowUp") step(1);
    else if (event.key === "ArrowDown") step(-1);
    else if (event.key === " ") (started && rising ? holdHere : toggle)();
    else if (event.key === "Enter" && !done.hidden) finish();
    else return;
    event.preventDefault();
  }

  refresh();
  return {
    node,
    engine,
    key,
    pause() {
      engine.pause();
      refresh();
    },
    dispose() {
      clearInterval(timer);
      engine.dispose();
    },
  };
}
