/* Answer panels: how a listener gives the answer of a trial.
 *
 * A panel is `{node, value(), lock(locked), key(event)}`. `value()` is the answer as
 * the protocol wants it, or undefined while incomplete. A new kind of answer is a new
 * panel here plus its name in `answerPanel`.
 */

import { el } from "./dial.js";

function choicePanel(trial, onChange) {
  let chosen;
  let locked = true;
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
    if (locked || index >= buttons.length) return;
    chosen = index;
    buttons.forEach((button, other) => button.setAttribute("aria-pressed", String(other === index)));
    onChange();
  }

  return {
    node: el("div", { class: "answers", role: "group", "aria-label": "Your answer" }, ...buttons),
    value: () => (chosen === undefined ? undefined : trial.answers[chosen].value),
    lock(next) {
      locked = next;
      for (const button of buttons) button.disabled = next;
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

/** The panel for a trial; `onChange` is called whenever the answer changes. */
export function answerPanel(trial, onChange) {
  return choicePanel(trial, onChange);
}
