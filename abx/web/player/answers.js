/* Answer panels: how a listener gives the answer of a trial.
 *
 * A panel is made from the trial, a callback for changes and the cards of the versions:
 *   node           where it is shown
 *   takes          names of the versions whose cards the panel shows itself
 *   value()        the answer as the protocol wants it, undefined while incomplete
 *   update(state)  {heard: name -> bool, allHeard, closed, selected: name}
 *   key(event)     true when the key was meant for the panel
 *   keys           rows for the list of keys
 *   words          {choose, done}: what to do next, in words
 * A new kind of answer is a new panel here plus its name in `answerPanel`.
 */

import { el } from "./dial.js";

function choicePanel(trial, onChange) {
  let chosen;
  let open = false;
  const size = { 3: " three" }[trial.answers.length] ?? (trial.answers.length > 4 ? " graded" : "");
  const buttons = trial.answers.map((answer, index) =>
    el(
      "button",
      {
        type: "button",
        class: "answer",
        "data-answer": answer.value,
        "aria-pressed": "false",
        "aria-keyshortcuts": String(index + 1),
        disabled: true,
        onclick: () => choose(index),
      },
      el("span", { class: "digit", "aria-hidden": "true" }, String(index + 1)),
      el("span", {}, answer.label),
    ),
  );

  function choose(index) {
    if (!open || index >= buttons.length) return;
    chosen = index;
    buttons.forEach((button, other) => button.setAttribute("aria-pressed", String(other === index)));
    onChange();
  }

  return {
    node: el(
      "div",
      { class: `answers${size}`, role: "group", "aria-label": "Your answer" },
      ...buttons,
    ),
    takes: [],
    words: { choose: "You have heard every version. Listen again as often as you like, then choose." },
    value: () => (chosen === undefined ? undefined : trial.answers[chosen].value),
    update(state) {
      open = state.allHeard && !state.closed;
      for (const button of buttons) button.disabled = !open;
    },
    key(event) {
      const digit = Number(event.key);
      if (!Number.isInteger(digit) || digit < 1 || digit > buttons.length) return false;
      choose(digit - 1);
      return true;
    },
    keys: buttons.length > 1 ? [[`1 to ${buttons.length}`, "choose an answer"]] : [["1", "choose the answer"]],
  };
}

function wordOf(scale, value) {
  const found = scale.words.find((w) => value >= w.from && value <= w.to);
  return found ? found.word : "";
}

function scaleLegend(scale) {
  const zones = scale.words.slice().reverse();
  if (zones.every((zone) => zone.to > zone.from)) {
    const columns = zones.map((zone) => `${zone.to - zone.from}fr`).join(" ");
    return el(
      "div",
      { class: "scale-words", style: `grid-template-columns: ${columns}`, "aria-hidden": "true" },
      ...zones.map((zone) => el("span", {}, zone.word)),
    );
  }
  return el(
    "ul",
    { class: "scale-list" },
    ...scale.words.map((zone) =>
      el("li", {}, el("b", {}, zone.from === zone.to ? `${zone.to}` : `from ${zone.from}`), ` ${zone.word}`),
    ),
  );
}

function sliderPanel(trial, onChange, cards) {
  const { scale, rate } = trial;
  const zones = scale.words.filter((zone) => zone.to > zone.from).length;
  const inColumns = zones === scale.words.length;
  const digits = scale.step < 1 ? 1 : 0;
  const values = new Map();
  let state = { heard: {}, closed: false, selected: "" };
  const rows = rate.map((name) => makeRow(name));

  function makeRow(name) {
    const label = trial.labels[name] ?? name.toUpperCase();
    const shown = el("output", { class: "rated" }, "not rated");
    const input = el("input", {
      type: "range",
      class: "slider unset",
      min: scale.low,
      max: scale.high,
      step: scale.step,
      value: (scale.low + scale.high) / 2,
      "aria-label": `Rating of ${label}`,
      "aria-valuetext": "not rated",
      "data-version": name,
      disabled: true,
      oninput: () => set(name, Number(input.value)),
      onclick: () => set(name, Number(input.value)),
    });
    return {
      name,
      input,
      shown,
      node: el("div", { class: "rate-row" }, cards.get(name), input, shown),
    };
  }

  function rowOf(name) {
    return rows.find((row) => row.name === name);
  }

  function set(name, value) {
    const row = rowOf(name);
    if (row.input.disabled) return;
    values.set(name, Number(value.toFixed(3)));
    row.input.value = value;
    const text = `${value.toFixed(digits)} ${wordOf(scale, value)}`.trim();
    row.shown.textContent = text;
    row.input.setAttribute("aria-valuetext", text);
    row.input.classList.remove("unset");
    onChange();
  }

  function nudge(direction, big) {
    const row = rowOf(state.selected);
    if (!row || row.input.disabled) return;
    const step = big ? (scale.high - scale.low) / 10 : scale.step;
    const now = values.get(row.name) ?? (scale.low + scale.high) / 2;
    set(row.name, Math.min(scale.high, Math.max(scale.low, now + direction * step)));
  }

  return {
    node: el(
      "div",
      { class: "rate", role: "group", "aria-label": "Your ratings", style: `--zone: ${100 / zones}%` },
      el("div", { class: "rate-row rate-head" }, ...(inColumns ? [el("span")] : []), scaleLegend(scale)),
      ...rows.map((row) => row.node),
    ),
    takes: rate,
    words: {
      choose: trial.hint ?? "Rate each version once you have heard it. Listen and change as often as you like.",
    },
    value: () => (values.size === rate.length ? Object.fromEntries(values) : undefined),
    update(next) {
      state = next;
      for (const row of rows) row.input.disabled = next.closed || !next.heard[row.name];
    },
    key(event) {
      const direction = { ArrowUp: 1, ArrowDown: -1 }[event.key];
      if (!direction) return false;
      nudge(direction, event.shiftKey);
      return true;
    },
    keys: [["\u2191 \u2193", "rate the version you hear; with shift in large steps"]],
  };
}

/* A set that is only listened to, to get to know it. */
function listenPanel() {
  let done = false;
  return {
    node: el("div", { class: "answers" }),
    takes: [],
    words: { choose: "You have heard every version. Listen as long as you like, then go on." },
    value: () => (done ? "heard" : undefined),
    update(state) {
      done = state.allHeard;
    },
    key: () => false,
    keys: [],
  };
}

/** The panel for a trial; `onChange` is called whenever the answer changes. */
export function answerPanel(trial, onChange, cards) {
  if (trial.scale) return sliderPanel(trial, onChange, cards);
  if (!trial.answers.length) return listenPanel();
  return choicePanel(trial, onChange);
}
