/* Noticing that the listener has gone, for a device that stands unattended. */

import { el } from "./dial.js";

const ASK_S = 15;

/**
 * Ask after `idleS` seconds without a touch or a key; leave when nobody answers.
 *
 * @param {HTMLElement|ShadowRoot} root where the question is shown
 */
export function createIdleWatch(root, idleS, onLeft) {
  const text = el("p", {}, "");
  const stay = el("button", { type: "button", class: "main-button", onclick: touched }, "I am still here");
  const question = el(
    "div",
    { class: "earwitness idle-question", role: "alertdialog", "aria-label": "Still there?", hidden: true },
    el("h2", {}, "Still there?"),
    text,
    stay,
  );
  root.append(question);
  const events = ["pointerdown", "pointermove", "keydown"];
  let lastTouch = performance.now();
  let left = false;

  function touched(event) {
    if (event.type === "pointermove" && !question.hidden) return;
    lastTouch = performance.now();
    question.hidden = true;
  }

  const timer = setInterval(() => {
    const idle = (performance.now() - lastTouch) / 1000;
    const remaining = Math.ceil(idleS + ASK_S - idle);
    if (idle >= idleS && question.hidden) {
      question.hidden = false;
      stay.focus();
    }
    if (!question.hidden) text.textContent = `The start page comes back in ${Math.max(0, remaining)} seconds.`;
    if (remaining <= 0 && !left) {
      left = true;
      onLeft();
    }
  }, 250);

  for (const name of events) document.addEventListener(name, touched, true);
  return {
    end() {
      clearInterval(timer);
      for (const name of events) document.removeEventListener(name, touched, true);
      question.remove();
    },
  };
}
