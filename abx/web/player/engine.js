/* Sample-synchronous playback of the versions of one trial.
 *
 * One AudioBufferSourceNode per version, all started at the same whole frame and
 * looped together; one GainNode per version. Switching follows the practice of
 * ITU-R BS.1534-3: the version that sounds is faded out over 5 ms, then the other
 * is faded in over 5 ms, never both at once. All times are whole frames, so that a
 * captured output can be compared with the stimulus sample by sample.
 *
 * The sound data of a trial is one block (little-endian):
 *   "EWA1", uint16 versions, uint16 channels, uint32 sample rate, uint32 frames,
 *   then per version interleaved int16 PCM.
 */

export const FADE_S = 0.005;
export const START_RAMP_S = 0.35;
export const RESUME_RAMP_S = 0.05;
export const MIN_REGION_S = 0.5;
const PIECE_S = 0.01;
/* How far ahead of the audio clock things are scheduled. A switch must be quick; a
 * start must never be missed, or the versions would not run in step. */
const SWITCH_AHEAD_S = 0.006;
const START_AHEAD_S = 0.05;
const PAUSE_AHEAD_S = 0.02;
/* Devices take sound in bursts; a time read within one is stale a moment later. */
const SETTLE_MS = 0.3;

export class SoundDataError extends Error {}

/** Read the block's header and view its PCM; throws SoundDataError when damaged. */
export function parseBlob(buffer) {
  const view = new DataView(buffer);
  const magic = buffer.byteLength >= 16 ? String.fromCharCode(...new Uint8Array(buffer, 0, 4)) : "";
  if (magic !== "EWA1") throw new SoundDataError("The sound data does not begin with EWA1.");
  const nVersions = view.getUint16(4, true);
  const channels = view.getUint16(6, true);
  const rate = view.getUint32(8, true);
  const frames = view.getUint32(12, true);
  const expected = 16 + 2 * nVersions * channels * frames;
  if (!nVersions || !channels || !frames || buffer.byteLength !== expected) {
    throw new SoundDataError(`The sound data has ${buffer.byteLength} bytes, expected ${expected}.`);
  }
  return { nVersions, channels, rate, frames, pcm: new Int16Array(buffer, 16) };
}

function raisedCosine(x) {
  return 0.5 - 0.5 * Math.cos(Math.PI * Math.min(1, Math.max(0, x)));
}

function smoothEdges(data, fadeFrames) {
  const n = Math.min(fadeFrames, data.length >> 1);
  for (let i = 0; i < n; i += 1) {
    const g = raisedCosine(i / n);
    data[i] *= g;
    data[data.length - 1 - i] *= g;
  }
}

/* Every version gets the same 5 ms fades at the ends of the loop, so that the wrap
 * of any excerpt or marked region is free of a click. */
function versionBuffer(context, blob, version, region, fadeFrames) {
  const { channels, rate, frames, pcm } = blob;
  const length = region.end - region.start;
  const buffer = context.createBuffer(channels, length, rate);
  const first = version * channels * frames + region.start * channels;
  for (let channel = 0; channel < channels; channel += 1) {
    const data = buffer.getChannelData(channel);
    for (let i = 0, j = first + channel; i < length; i += 1, j += channels) {
      data[i] = pcm[j] / 32768;
    }
    smoothEdges(data, fadeFrames);
  }
  return buffer;
}

/** Level over time in `bins` steps, 0..1 on a 48 dB scale: the maximum over all
 * versions, so that the picture is the same whichever version sounds. */
export function sharedEnvelope(blob, bins) {
  const { nVersions, channels, frames, pcm } = blob;
  const levels = new Array(bins).fill(0);
  for (let bin = 0; bin < bins; bin += 1) {
    const from = Math.floor((bin * frames) / bins);
    const to = Math.max(from + 1, Math.floor(((bin + 1) * frames) / bins));
    const step = Math.max(1, Math.floor((to - from) / 400));
    for (let version = 0; version < nVersions; version += 1) {
      let sum = 0;
      let count = 0;
      for (let i = from; i < to; i += step) {
        const sample = pcm[(version * frames + i) * channels] / 32768;
        sum += sample * sample;
        count += 1;
      }
      levels[bin] = Math.max(levels[bin], Math.sqrt(sum / count));
    }
  }
  const peak = Math.max(...levels, 1e-6);
  return levels.map((level) => Math.max(0, 1 + (20 * Math.log10(Math.max(level, 1e-6) / peak)) / 48));
}

/* A switch has no time to compute: its two curves are made once. */
const readyCurves = new Map();

function curveOf(from, to, first, length, frames) {
  const name = `${from} ${to} ${first} ${length} ${frames}`;
  const ready = readyCurves.get(name);
  if (ready) return ready;
  const curve = new Float32Array(length);
  for (let i = 0; i < length; i += 1) {
    curve[i] = from + (to - from) * raisedCosine((first + i + 1) / frames);
  }
  if (readyCurves.size < 256) readyCurves.set(name, curve);
  return curve;
}

/* Gain curves on one AudioParam in pieces of at most 10 ms. A new request waits for
 * the end of the piece in progress and drops the pieces that have not begun, so two
 * curves never overlap and the value at every frame is known without asking. */
class Fader {
  constructor(param, rate, value) {
    this.param = param;
    this.rate = rate;
    this.pieces = [];
    this.value = value;
    param.value = value;
  }

  /** Fade to `to` in `frames` frames, not before frame `at`; returns the last frame. */
  fade(to, at, frames) {
    const running = this.pieces.find((piece) => piece.first < at && piece.last >= at);
    const begin = running ? running.last + 1 : at;
    const done = this.pieces.filter((piece) => piece.last < begin);
    const from = done.length ? done[done.length - 1].to : this.value;
    if (done.length < this.pieces.length) {
      this.param.cancelScheduledValues((begin - 0.5) / this.rate);
    }
    this.pieces = done.slice(-2);
    this.value = from;
    if (from === to) return begin - 1;
    const pieceFrames = Math.round(PIECE_S * this.rate);
    for (let first = 0; first < frames; first += pieceFrames) {
      this.append(from, to, begin, first, Math.min(first + pieceFrames, frames) - 1, frames);
    }
    return begin + frames - 1;
  }

  append(from, to, begin, first, last, frames) {
    const curve = curveOf(from, to, first, Math.max(2, last - first + 1), frames);
    const span = Math.max(1, last - first) / this.rate;
    this.param.setValueCurveAtTime(curve, (begin + first) / this.rate, span);
    this.pieces.push({ first: begin + first, last: begin + last, to: curve[curve.length - 1] });
  }

  /** The newest curve began late and ends no later than frame `last`. */
  delayed(last) {
    const piece = this.pieces[this.pieces.length - 1];
    if (piece) piece.last = Math.max(piece.last, last);
  }

  /** Curves that were asked for too late collide: glide to `to` instead. */
  recover(to, now, seconds) {
    this.param.cancelScheduledValues(0);
    this.param.setTargetAtTime(to, now, seconds / 4);
    const first = Math.ceil(now * this.rate);
    this.pieces = [{ first, last: first + Math.round(seconds * this.rate), to }];
    this.value = to;
  }
}

/**
 * Make a player for one block of sound data.
 *
 * @param {BaseAudioContext} context running at the block's sample rate
 * @param {object} blob result of parseBlob
 * @param {object} [options] `gain`: linear level, fixed for the life of the engine;
 *   `destination`: node to feed instead of the context's output
 */
export function createEngine(context, blob, options = {}) {
  const { gain = 1, destination = context.destination } = options;
  const rate = blob.rate;
  if (context.sampleRate !== rate) {
    throw new SoundDataError(`The audio device runs at ${context.sampleRate} Hz, not ${rate} Hz.`);
  }
  const fadeFrames = Math.round(FADE_S * rate);
  const level = context.createGain();
  const transport = context.createGain();
  const gains = [];
  level.gain.value = gain;
  transport.connect(level).connect(destination);
  const transportFader = new Fader(transport.gain, rate, 0);
  const faders = [];
  for (let version = 0; version < blob.nVersions; version += 1) {
    const node = context.createGain();
    node.connect(transport);
    gains.push(node);
    faders.push(new Fader(node.gain, rate, version === 0 ? 1 : 0));
  }

  for (const [from, to] of [[0, 1], [1, 0]]) curveOf(from, to, 0, fadeFrames, fadeFrames);

  const whole = { start: 0, end: blob.frames };
  let region = whole;
  let buffers = faders.map((_, version) => versionBuffer(context, blob, version, whole, fadeFrames));
  const wholeBuffers = buffers;
  let sources = [];
  let playing = false;
  let everPlayed = false;
  let selected = 0;
  let startFrame = 0;
  let offset = 0;
  let freeFrame = 0;
  let countedTo = 0;
  const listened = new Array(blob.nVersions).fill(0);
  const stats = { switches: 0, late: 0, recovered: 0, lastSwitch: null };

  const frameNow = () => Math.ceil(context.currentTime * rate - 1e-6);
  const soonest = (aheadS) => Math.max(frameNow() + Math.round(aheadS * rate), freeFrame);

  function settle() {
    let seen = context.currentTime;
    let since = performance.now();
    const giveUp = since + 4 * SETTLE_MS;
    for (let now = since; now - since < SETTLE_MS && now < giveUp; now = performance.now()) {
      if (context.currentTime !== seen) {
        seen = context.currentTime;
        since = now;
      }
    }
  }

  function count(frame) {
    if (playing && frame > countedTo) listened[selected] += (frame - countedTo) / rate;
    countedTo = Math.max(countedTo, frame);
  }

  function regionPosition(frame) {
    if (!playing) return offset;
    const length = region.end - region.start;
    return (((frame - startFrame + offset) % length) + length) % length;
  }

  function makeSources() {
    return buffers.map((buffer, version) => {
      const source = context.createBufferSource();
      source.buffer = buffer;
      source.loop = true;
      source.connect(gains[version]);
      return source;
    });
  }

  function discard(unwanted) {
    for (const source of unwanted) {
      source.stop();
      source.disconnect();
    }
  }

  /* A source whose start is missed would begin at once, out of step with the others:
   * then all are thrown away and started again further ahead. */
  function startSources() {
    for (let aheadS = START_AHEAD_S; ; aheadS *= 2) {
      const made = makeSources();
      const at = soonest(aheadS);
      for (const source of made) source.start(at / rate, offset / rate);
      if (frameNow() < at) {
        sources = made;
        startFrame = at;
        return at;
      }
      stats.late += 1;
      discard(made);
    }
  }

  function stopSources(at) {
    for (const source of sources) {
      source.onended = () => source.disconnect();
      source.stop(at / rate);
    }
    sources = [];
  }

  /* Fade everything else out from frame `at`, then `version` in. Web Audio begins a
   * curve that is asked for too late at once; the fade-in then waits for its end. */
  function crossTo(version, at) {
    let silentFrom = at - 1;
    const others = faders.filter((_, other) => other !== version);
    for (const fader of others) silentFrom = Math.max(silentFrom, fader.fade(0, at, fadeFrames));
    const isLate = frameNow() >= at;
    if (isLate) {
      stats.late += 1;
      silentFrom = Math.max(silentFrom, frameNow() + fadeFrames + Math.round(SWITCH_AHEAD_S * rate));
      for (const fader of others) fader.delayed(silentFrom);
    }
    const soundFrom = silentFrom + 1;
    faders[version].fade(1, soundFrom, fadeFrames);
    if (frameNow() < soundFrom) return { newSoundFrame: soundFrom, isLate };
    if (!isLate) stats.late += 1;
    faders[version].delayed(frameNow() + fadeFrames);
    return { newSoundFrame: frameNow(), isLate: true };
  }

  function switchNow(version) {
    settle();
    const askedFrame = frameNow();
    const at = soonest(SWITCH_AHEAD_S);
    let done = { newSoundFrame: at, isLate: true };
    try {
      done = crossTo(version, at);
    } catch (error) {
      if (error.name !== "NotSupportedError") throw error;
      stats.recovered += 1;
      faders.forEach((fader, other) => fader.recover(other === version ? 1 : 0, context.currentTime, 0.01));
    }
    count(done.newSoundFrame);
    stats.lastSwitch = { askedFrame, ...done, fadedInFrame: done.newSoundFrame + fadeFrames };
  }

  const engine = {
    rate,
    duration: blob.frames / rate,
    stats,
    get playing() {
      return playing;
    },
    get selected() {
      return selected;
    },
    get region() {
      return { start: region.start / rate, end: region.end / rate };
    },
    get startFrame() {
      return startFrame;
    },
    get startOffset() {
      return region.start + offset;
    },

    /** Seconds from the beginning of the excerpt. */
    position() {
      return (region.start + regionPosition(frameNow())) / rate;
    },

    /** Seconds each version has been audible. */
    listened() {
      count(frameNow());
      return listened.slice();
    },

    /** Start or go on, always from silence and rising; call from a user gesture. */
    play(version = selected) {
      if (version !== selected) this.select(version);
      if (playing) return;
      const at = startSources();
      playing = true;
      countedTo = at;
      const ramp = everPlayed ? RESUME_RAMP_S : START_RAMP_S;
      try {
        transportFader.fade(1, at, Math.round(ramp * rate));
      } catch (error) {
        if (error.name !== "NotSupportedError") throw error;
        stats.recovered += 1;
        transportFader.recover(1, context.currentTime, ramp);
      }
      everPlayed = true;
    },

    pause() {
      if (!playing) return;
      const at = soonest(PAUSE_AHEAD_S);
      let last = transportFader.fade(0, at, fadeFrames * 2);
      if (frameNow() >= at) {
        stats.late += 1;
        last = Math.max(last, frameNow() + 2 * fadeFrames);
        transportFader.delayed(last);
      }
      count(last);
      offset = regionPosition(last + 1);
      stopSources(last + 1);
      playing = false;
      freeFrame = last + 2;
    },

    /** Make `version` the one that sounds; at once when playing. */
    select(version) {
      if (!(version >= 0 && version < blob.nVersions)) throw new RangeError(`no version ${version}`);
      if (version === selected) return;
      switchNow(version);
      if (everPlayed) stats.switches += 1;
      selected = version;
    },

    /** Loop only [start, end) seconds, at least 0.5 s; null for the whole excerpt. */
    setRegion(range) {
      const next = range ? clampRegion(range, blob) : whole;
      if (next.start === region.start && next.end === region.end) return this.region;
      const absolute = region.start + regionPosition(frameNow());
      const again = playing;
      if (again) this.pause();
      buffers =
        next.start === 0 && next.end === blob.frames
          ? wholeBuffers
          : faders.map((_, version) => versionBuffer(context, blob, version, next, fadeFrames));
      region = next;
      offset = absolute >= next.start && absolute < next.end ? absolute - next.start : 0;
      if (again) this.play();
      return this.region;
    },

    dispose() {
      if (playing) this.pause();
      const nodes = [...gains, transport, level];
      const quiet = Math.max(0, freeFrame / rate - context.currentTime) * 1000 + 50;
      setTimeout(() => nodes.forEach((node) => node.disconnect()), quiet);
    },
  };

  if (options.adjustable) {
    /* Only the level page gets this: within a trial the level cannot change. */
    engine.setGain = (value) => level.gain.setTargetAtTime(value, context.currentTime, 0.08);
  }
  return engine;
}

function clampRegion({ start, end }, blob) {
  const least = Math.min(blob.frames, Math.ceil(MIN_REGION_S * blob.rate));
  let first = Math.round(Math.max(0, start) * blob.rate);
  let last = Math.round(Math.min(blob.frames / blob.rate, end) * blob.rate);
  if (last - first < least) {
    last = Math.min(blob.frames, first + least);
    first = last - least;
  }
  return { start: first, end: last };
}
