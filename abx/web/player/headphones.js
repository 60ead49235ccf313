/* Headphone check by antiphase tones.
 *
 * Woods, Siegel, Traer and McDermott (2017), Attention, Perception & Psychophysics 79,
 * 2064-2072: three 200 Hz tones, one of them 6 dB softer, one of the others in opposite
 * phase left and right. Over loudspeakers the antiphase tone cancels and seems the
 * softest; over headphones it does not. Six trials, at least five right to pass; a tone
 * of 1 s with 100 ms ramps and 0.5 s between tones (pass mark and timing from memory).
 */

import { el } from "./dial.js";

export const CHECK_TRIALS = 6;
export const CHECK_PASS = 5;
const TONE_HZ = 200;
const TONE_S = 1.0;
const RAMP_S = 0.1;
const GAP_S = 0.5;
const LEVEL_DB = -26;
const SOFTER_DB = -6;
const KINDS = ["plain", "softer", "opposite"];

function shuffled(items) {
  const result = items.slice();
  for (let i = result.length - 1; i > 0; i -= 1) {
    const j = crypto.getRandomValues(new Uint32Array(1))[0] % (i + 1);
    [result[i], result[j]] = [result[j], result[i]];
  }
  return result;
}

/** The three tones of a trial, one after the other, as one stereo buffer. */
export function checkTones(context, order) {
  const rate = context.sampleRate;
  const step = Math.round((TONE_S + GAP_S) * rate);
  const frames = Math.round(TONE_S * rate);
  const buffer = context.createBuffer(2, step * order.length, rate);
  order.forEach((kind, place) => {
    const level = 10 ** ((LEVEL_DB + (kind === "softer" ? SOFTER_DB : 0)) / 20);
    for (let channel = 0; channel < 2; channel += 1) {
      const sign = kind === "opposite" && channel === 1 ? -1 : 1;
      const data = buffer.getChannelData(channel);
      for (let i = 0; i < frames; i += 1) {
        const edge = Math.min(1, i / (RAMP_S * rate), (frames - 1 - i) / (RAMP_S * rate));
        const ramp = 0.5 - 0.5 * Math.cos(Math.PI * edge);
        data[place * step + i] = sign * level * ramp * Math.sin((2 * Math.PI * TONE_HZ * i) / rate);
      }
    }
  });
  return buffer;
}

/**
 * @param {{show: Function, focus: Function}} frame
 * @param {(result: {correct: number, of: number}) => void} onDone
 */
export function createHeadphoneCheck(frame, onDone) {
  let context = null;
  let source = null;
  let trial = 0;
  let correct = 0;
  let order = [];
  let lights = [];
  let timer = null;
  let ended = false;

  function play(kinds, after) {
    context ??= new AudioContext({ sampleRate: 48000 });
    context.resume();
    stop();
    source = context.createBufferSource();
    source.buffer = checkTones(context, kinds);
    source.connect(context.destination);
    const begin = context.currentTime + 0.1;
    source.onended = () => {
      light(-1);
      if (!ended) after();
    };
    source.start(begin);
    timer = setInterval(() => light(Math.floor((context.currentTime - begin) / (TONE_S + GAP_S))), 50);
  }

  function stop() {
    clearInterval(timer);
    if (!source) return;
    source.onended = null;
    source.stop();
    source.disconnect();
    source = null;
  }

  function light(now) {
    lights.forEach((node, index) => node.classList.toggle("sounding", index === now));
  }

  function intro() {
    const note = el("p", { class: "hint", role: "status" }, "The tone is low and soft.");
    const tone = el("button", { type: "button", class: "step-button", onclick: () => play(["plain"], heard) }, "Play the tone");
    const on = el("button", { type: "button", class: "main-button", disabled: true, onclick: ask }, "I hear it well");
    function heard() {
      on.disabled = false;
      note.textContent = "Play it again and raise the volume of your device until the tone is clear, not loud.";
    }
    frame.show({
      message: true,
      titleText: "A short check of your headphones",
      leadText: "Put your headphones on, with the volume of your device low.",
      content: [note, el("div", { class: "confirm-row" }, tone, on)],
    });
    frame.focus();
  }

  function ask() {
    stop();
    order = shuffled(KINDS);
    const playButton = el("button", { type: "button", class: "main-button", onclick: listen }, "Play the three tones");
    lights = order.map((_, index) =>
      el("button", { type: "button", class: "answer tone", disabled: true, onclick: () => choose(index) }, `Tone ${index + 1}`),
    );
    const note = el("p", { class: "hint", role: "status" }, "Which of the three tones is the softest?");
    function listen() {
      playButton.disabled = true;
      play(order, () => {
        playButton.textContent = "Play them again";
        playButton.disabled = false;
        for (const node of lights) node.disabled = false;
      });
    }
    frame.show({
      stepText: `Headphone check ${trial + 1} of ${CHECK_TRIALS}`,
      titleText: "Which tone is the softest?",
      done: trial,
      of: CHECK_TRIALS,
      content: [el("div", { class: "confirm-row" }, playButton), note, el("div", { class: "answers three" }, ...lights)],
    });
    frame.focus();
  }

  function choose(index) {
    stop();
    correct += order[index] === "softer" ? 1 : 0;
    trial += 1;
    if (trial < CHECK_TRIALS) ask();
    else finish();
  }

  function finish() {
    const passed = correct >= CHECK_PASS;
    let told = false;
    const tell = () => {
      if (told) return;
      told = true;
      onDone({ correct, of: CHECK_TRIALS });
    };
    const again = el("button", { type: "button", class: "step-button", onclick: restart }, "Check again");
    const on = el("button", { type: "button", class: "main-button", onclick: tell }, "Go on");
    frame.show({
      message: true,
      titleText: passed ? "Your headphones are fine" : "This does not sound like headphones",
      leadText: passed
        ? "Leave the volume of your device where it is now."
        : "Are they plugged in and on your ears, left and right, with every sound effect switched off? " +
          "You can check again, or go on as you are; what you heard is noted.",
      content: [el("div", { class: "confirm-row" }, passed ? null : again, on)],
    });
    frame.focus();
  }

  function restart() {
    trial = 0;
    correct = 0;
    intro();
  }

  intro();
  return {
    end() {
      ended = true;
      stop();
      if (context) context.close();
    },
  };
}
