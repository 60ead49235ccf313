/* Small DOM helpers and the dial: the one playhead that all versions share.
 *
 * The excerpt runs once round the dial. Its bars show the level of the excerpt, taken
 * as the maximum over all versions, so the picture never depends on which one sounds.
 */

const SVG = "http://www.w3.org/2000/svg";
const BARS = 120;
const INNER = 74;
const OUTER = 108;
const RIM = 120;

/** Create an element: attributes, `on...` listeners, children (strings or nodes). */
export function el(tag, attributes = {}, ...children) {
  return fill(document.createElement(tag), attributes, children);
}

function svg(tag, attributes = {}, ...children) {
  return fill(document.createElementNS(SVG, tag), attributes, children);
}

function fill(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (value === true) node.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) node.setAttribute(name, value);
  }
  node.append(...children.filter((child) => child !== null && child !== undefined));
  return node;
}

export function clock(seconds) {
  const tenths = Math.floor(seconds * 10 + 1e-6);
  const minutes = Math.floor(tenths / 600);
  return `${minutes}:${String(Math.floor(tenths / 10) % 60).padStart(2, "0")}.${tenths % 10}`;
}

function polar(turn, radius) {
  const angle = 2 * Math.PI * turn - Math.PI / 2;
  return [radius * Math.cos(angle), radius * Math.sin(angle)];
}

function arcPath(from, to, radius) {
  if (to - from > 0.9999) return `${arcPath(0, 0.5, radius)} ${arcPath(0.5, 0.9998, radius)}`;
  const [x0, y0] = polar(from, radius);
  const [x1, y1] = polar(to, radius);
  return `M${x0} ${y0}A${radius} ${radius} 0 ${to - from > 0.5 ? 1 : 0} 1 ${x1} ${y1}`;
}

function barsPath(envelope) {
  const parts = envelope.map((level, index) => {
    const turn = (index + 0.5) / envelope.length;
    const [x0, y0] = polar(turn, INNER);
    const [x1, y1] = polar(turn, INNER + 2 + level * (OUTER - INNER - 2));
    return `M${x0.toFixed(2)} ${y0.toFixed(2)}L${x1.toFixed(2)} ${y1.toFixed(2)}`;
  });
  return parts.join("");
}

function playIcon() {
  return svg("path", { class: "icon-play", d: "M-11 -17L19 0L-11 17Z" });
}

function pauseIcon() {
  return svg("path", { class: "icon-pause", d: "M-14 -16H-4V16H-14ZM4 -16H14V16H4Z" });
}

/**
 * @param {number} duration seconds of the excerpt
 * @param {number[]} envelope 0..1, the same for all versions
 * @param {{toggle: () => void, region?: (range: object|null) => object}} actions
 */
export function createDial(duration, envelope, actions) {
  const hand = svg("line", { class: "hand", x1: 0, y1: -INNER + 6, x2: 0, y2: -RIM + 2 });
  const loopArc = svg("path", { class: "loop" });
  const face = svg(
    "svg",
    { class: "face", viewBox: "-146 -146 292 292", focusable: "false" },
    svg("circle", { class: "rim", r: RIM }),
    svg("path", { class: "bars", d: barsPath(envelope), "aria-hidden": "true" }),
    loopArc,
    hand,
  );
  const symbol = svg("svg", { viewBox: "-30 -30 60 60", "aria-hidden": "true" }, playIcon(), pauseIcon());
  const time = el("span", { class: "time", "aria-hidden": "true" }, clock(0));
  const button = el(
    "button",
    { type: "button", class: "play", "aria-label": "Play", onclick: actions.toggle },
    symbol,
    time,
  );
  const loopText = el("span", { class: "loop-text" });
  const wholeButton = el(
    "button",
    { type: "button", class: "quiet-button whole", onclick: () => apply(null) },
    "Whole excerpt",
  );
  const loopRow = el("p", { class: "loop-row" }, loopText, wholeButton);
  const node = el("div", { class: "dial" }, el("div", { class: "dial-face" }, button, face), loopRow);
  let range = { start: 0, end: duration };
  const handles = actions.region ? { start: makeHandle("start"), end: makeHandle("end") } : null;
  if (!handles) loopRow.remove();

  function makeHandle(edge) {
    const grip = svg("circle", { class: "grip", r: 9 });
    const handle = svg(
      "g",
      {
        class: `handle handle-${edge}`,
        role: "slider",
        tabindex: "0",
        "aria-label": edge === "start" ? "Loop begins at" : "Loop ends at",
        "aria-valuemin": "0",
        "aria-valuemax": duration.toFixed(1),
        onkeydown: (event) => nudge(event, edge),
        onpointerdown: (event) => drag(event, edge),
      },
      svg("circle", { class: "grip-reach", r: 28 }),
      grip,
    );
    face.append(handle);
    return handle;
  }

  function nudge(event, edge) {
    const steps = { ArrowLeft: -0.1, ArrowDown: -0.1, ArrowRight: 0.1, ArrowUp: 0.1, PageDown: -1, PageUp: 1 };
    const step = steps[event.key];
    if (step === undefined) return;
    event.preventDefault();
    event.stopPropagation();
    move(edge, range[edge] + step, true);
  }

  function turnOf(event) {
    const box = face.getBoundingClientRect();
    const x = event.clientX - box.left - box.width / 2;
    const y = event.clientY - box.top - box.height / 2;
    return ((Math.atan2(x, -y) / (2 * Math.PI)) % 1 + 1) % 1;
  }

  function drag(event, edge) {
    event.preventDefault();
    const handle = event.currentTarget;
    handle.setPointerCapture(event.pointerId);
    handle.focus({ preventScroll: true });
    const follow = (moved) => {
      /* The excerpt begins and ends at twelve o'clock: a drag may not jump across it. */
      const now = range[edge] / duration;
      let turn = turnOf(moved);
      if (turn - now > 0.5) turn = 0;
      if (now - turn > 0.5) turn = 1;
      move(edge, turn * duration, false);
    };
    const finish = () => {
      handle.removeEventListener("pointermove", follow);
      handle.removeEventListener("pointerup", finish);
      handle.removeEventListener("pointercancel", finish);
      apply(range);
    };
    handle.addEventListener("pointermove", follow);
    handle.addEventListener("pointerup", finish);
    handle.addEventListener("pointercancel", finish);
  }

  function move(edge, seconds, now) {
    const least = Math.min(duration, 0.5);
    const next = { ...range };
    if (edge === "start") next.start = Math.max(0, Math.min(seconds, range.end - least));
    else next.end = Math.min(duration, Math.max(seconds, range.start + least));
    if (now) apply(next);
    else show(next);
  }

  function apply(next) {
    show(actions.region(next));
  }

  function isWhole() {
    return range.start <= 0.001 && range.end >= duration - 0.001;
  }

  function show(next) {
    range = next;
    loopArc.setAttribute("d", arcPath(range.start / duration, range.end / duration, RIM));
    loopArc.classList.toggle("marked", !isWhole());
    loopText.textContent = isWhole()
      ? `Loop: all ${clock(duration)}`
      : `Loop: ${clock(range.start)} to ${clock(range.end)}`;
    wholeButton.hidden = isWhole();
    if (!handles) return;
    for (const edge of ["start", "end"]) {
      /* At full length the two grips would cover each other at twelve o'clock. */
      const apart = edge === "start" ? 0.035 : -0.035;
      const [x, y] = polar(range[edge] / duration + (isWhole() ? apart : 0), RIM);
      handles[edge].setAttribute("transform", `translate(${x} ${y})`);
      handles[edge].setAttribute("aria-valuenow", range[edge].toFixed(1));
      handles[edge].setAttribute("aria-valuetext", `${range[edge].toFixed(1)} seconds`);
    }
  }

  show(range);
  const calm = window.matchMedia("(prefers-reduced-motion: reduce)");
  return {
    node,
    button,
    /** Draw the playhead; in quarter seconds when the listener asks for little motion. */
    update(position, playing) {
      const shown = calm.matches ? Math.floor(position * 4) / 4 : position;
      hand.setAttribute("transform", `rotate(${(360 * shown) / duration})`);
      time.textContent = clock(shown);
      node.classList.toggle("playing", playing);
      const label = playing ? "Pause" : "Play";
      if (button.getAttribute("aria-label") !== label) button.setAttribute("aria-label", label);
    },
  };
}

export function barCount() {
  return BARS;
}
