/* The screen of one trial: versions as cards round one shared dial, then the answer. */

import { answerPanel } from "./answers.js";
import { createEngine, sharedEnvelope } from "./engine.js";
import { barCount, createDial, el } from "./dial.js";

/* Hearing a version counts after this many seconds of it. */
const HEARD_S = 1.0;

export function joinWords(words, last = "and") {
  if (words.length < 2) return words.join("");
  return `${words.slice(0, -1).join(", ")} ${last} ${words[words.length - 1]}`;
}

/* Where the cards go: two beside the dial, an unknown or a reference across below it. */
function layoutOf(versions) {
  if (versions.length < 3) return "pair";
  if (versions.length === 3 && versions.includes("x")) return "reference";
  return versions.length === 3 ? "three" : "many";
}

function placeOf(versions, version) {
  if (layoutOf(versions) !== "reference") return versions.indexOf(version);
  return version === "x" ? 2 : versions.filter((other) => other !== "x").indexOf(version);
}

function isPressedByKeyboard(target) {
  const control = target instanceof Element ? target.closest("button, [role=slider], input, summary, a") : null;
  return Boolean(control && control.matches(":focus-visible"));
}

/**
 * @param {object} trial reply of the server
 * @param {object} sound `{context, blob, gain}`
 * @param {{confirm: (answer: object) => void, playing: () => void}} actions
 * @param {{shortcuts: boolean}} settings kept between trials
 */
export function createTrialScreen(trial, sound, actions, settings) {
  const { versions } = trial;
  const engine = createEngine(sound.context, sound.blob, { gain: sound.gain });
  const mustHear = trial.must_hear ?? versions;
  const asks = Boolean(trial.answers.length || trial.scale);
  let firstSoundAt = null;
  let closed = false;

  const dial = createDial(engine.duration, sharedEnvelope(sound.blob, barCount()), {
    toggle,
    region: (range) => engine.setRegion(range),
  });
  const cards = versions.map((version) => makeCard(version));
  const panel = answerPanel(trial, refresh, new Map(cards.map((card) => [card.version, card.node])));
  const hint = el("p", { class: "hint", role: "status" });
  const confirm = el(
    "button",
    { type: "button", class: "main-button confirm", disabled: true, onclick: send },
    asks ? "Confirm answer" : "Go on",
  );
  const free = cards.filter((card) => !panel.takes.includes(card.version)).map((card) => card.node);
  const layout = panel.takes.length ? "rate" : layoutOf(versions);
  const stage = el("div", { class: `stage stage-${layout}` }, dial.node, ...free);
  const node = el(
    "div",
    { class: `trial trial-${layout}` },
    stage,
    hint,
    panel.node,
    el("div", { class: "confirm-row" }, confirm),
    keyHelp(),
  );

  function labelOf(version) {
    return trial.labels[version] ?? version.toUpperCase();
  }

  function makeCard(version) {
    const state = el("span", { class: "card-state" }, "not heard yet");
    const name = el("span", { class: "card-name" }, labelOf(version));
    const node = el(
      "button",
      {
        type: "button",
        class: `card card-${placeOf(versions, version)}${labelOf(version).length > 2 ? " card-long" : ""}`,
        "data-version": version,
        "aria-pressed": "false",
        onclick: () => hear(version),
      },
      el("span", { class: "card-word" }, "Version"),
      name,
      el("span", { class: "sr-only" }, ", "),
      state,
    );
    return { version, node, state };
  }

  function keyHelp() {
    const names = versions.map((version, index) => keyOf(version, index).toUpperCase());
    const rows = [
      [joinWords(names, "or"), "hear that version"],
      ["\u2190 \u2192", "previous or next version"],
      ["Space", "play or pause"],
      ...panel.keys,
      ["Enter", asks ? "confirm the answer" : "go on"],
    ];
    const toggleButton = el("button", { type: "button", class: "quiet-button", onclick: switchShortcuts });
    function switchShortcuts() {
      settings.shortcuts = !settings.shortcuts;
      describe();
    }
    function describe() {
      toggleButton.textContent = settings.shortcuts ? "Turn these keys off" : "Turn these keys on";
    }
    describe();
    return el(
      "details",
      { class: "keys", open: settings.keysOpen, ontoggle: (event) => (settings.keysOpen = event.target.open) },
      el("summary", {}, "Keys"),
      el("dl", {}, ...rows.map(([key, what]) => el("div", {}, el("dt", {}, el("kbd", {}, key)), el("dd", {}, what)))),
      toggleButton,
    );
  }

  function keyOf(version, index) {
    const letter = version[0];
    return version.length === 1 || !versions.includes(letter) ? letter : String(index);
  }

  function toggle() {
    if (engine.playing) engine.pause();
    else start(engine.selected);
    refresh();
  }

  function start(index) {
    sound.context.resume();
    firstSoundAt ??= performance.now();
    actions.playing();
    engine.play(index);
  }

  function hear(version) {
    if (closed) return;
    const index = versions.indexOf(version);
    if (engine.playing) engine.select(index);
    else start(index);
    refresh();
  }

  function heard() {
    const seconds = engine.listened();
    return versions.map((_, index) => seconds[index] >= HEARD_S);
  }

  function refresh() {
    const isHeard = heard();
    cards.forEach((card, index) => {
      const sounding = engine.playing && engine.selected === index;
      card.node.setAttribute("aria-pressed", String(sounding));
      card.node.classList.toggle("heard", isHeard[index]);
      const words = sounding ? "playing" : isHeard[index] ? "heard" : "not heard yet";
      if (card.state.textContent !== words) card.state.textContent = words;
    });
    const missing = mustHear.filter((version) => !isHeard[versions.indexOf(version)]);
    panel.update({
      heard: Object.fromEntries(versions.map((version, index) => [version, isHeard[index]])),
      allHeard: !missing.length,
      closed,
      selected: versions[engine.selected],
    });
    const complete = !missing.length && panel.value() !== undefined;
    const words = missing.length
      ? `${asks ? "Listen first, then answer." : "Listen to every version."} Still to hear: ${joinWords(missing.map(labelOf))}.`
      : complete && trial.answers.length
        ? "Confirm your answer, or change it."
        : panel.words.choose;
    if (hint.textContent !== words) hint.textContent = words;
    confirm.disabled = closed || !complete;
    dial.update(engine.position(), engine.playing);
  }

  function send() {
    if (closed || confirm.disabled) return;
    close();
    const seconds = engine.listened();
    actions.confirm({
      trial: trial.trial,
      answer: panel.value(),
      response_s: Math.round(performance.now() - firstSoundAt) / 1000,
      switches: engine.stats.switches,
      listened_s: Object.fromEntries(versions.map((v, i) => [v, Math.round(seconds[i] * 1000) / 1000])),
    });
  }

  function close() {
    closed = true;
    engine.pause();
    refresh();
  }

  function key(event) {
    if (closed || !settings.shortcuts || event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.repeat && !["ArrowUp", "ArrowDown"].includes(event.key)) return;
    const target = event.composedPath()[0];
    if (target instanceof HTMLInputElement && event.key.startsWith("Arrow")) return;
    if ((event.key === " " || event.key === "Enter") && isPressedByKeyboard(target)) return;
    if (handleKey(event)) event.preventDefault();
  }

  function handleKey(event) {
    const letter = versions.findIndex((v, i) => keyOf(v, i) === event.key.toLowerCase());
    if (letter >= 0) hear(versions[letter]);
    else if (event.key === "ArrowRight" || event.key === "ArrowLeft") {
      const step = event.key === "ArrowRight" ? 1 : versions.length - 1;
      hear(versions[(engine.selected + step) % versions.length]);
    } else if (event.key === " ") toggle();
    else if (event.key === "Enter") send();
    else return panel.key(event);
    return true;
  }

  refresh();
  const timer = setInterval(refresh, 50);
  let frame = requestAnimationFrame(function draw() {
    dial.update(engine.position(), engine.playing);
    frame = requestAnimationFrame(draw);
  });
  return {
    node,
    engine,
    key,
    pause() {
      engine.pause();
      refresh();
    },
    /** The server refused the answer: let the listener mend it, nothing heard is lost. */
    reopen() {
      closed = false;
      refresh();
    },
    dispose() {
      clearInterval(timer);
      cancelAnimationFrame(frame);
      engine.dispose();
    },
  };
}
