"use strict";
// The playing deck of the page. One sound at a time: a change fades the old one out for 5 ms and only then
// the new one in for 5 ms, by raised cosines (ITU-R BS.1534-3, section 5.3), at the same place of the loop.
// All times are whole frames of the context.
const FADE_SECONDS = 0.005;
const LEAD_SECONDS = 0.012;
const SILENT_DB = -60; // the lower end of a volume

function raisedCosine(frames, rising) {
  const curve = new Float32Array(frames + 1);
  for (let i = 0; i <= frames; i += 1) {
    const rise = 0.5 - 0.5 * Math.cos((Math.PI * i) / frames);
    curve[i] = rising ? rise : 1 - rise;
  }
  return curve;
}

function toGain(db) { return 10 ** (db / 20); }

function bytesOf(text) {
  const raw = atob(text.trim());
  const bytes = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i += 1) bytes[i] = raw.charCodeAt(i);
  return bytes;
}

class Deck {
  constructor(context, output) {
    this.context = context;
    this.output = output;
    this.fade = Math.round(FADE_SECONDS * context.sampleRate);
    this.origin = 0;   // the frame at which the loop was at its beginning
    this.free = 0;     // the first frame at which the next change may begin
    this.voice = null;
  }

  static async decode(context, id) {
    return context.decodeAudioData(bytesOf(document.getElementById(id).textContent).buffer);
  }

  // A copy whose ends are faded, so that the loop has no step.
  looped(buffer) {
    const copy = this.context.createBuffer(buffer.numberOfChannels, buffer.length, buffer.sampleRate);
    const length = Math.min(this.fade, Math.floor(buffer.length / 2));
    for (let channel = 0; channel < buffer.numberOfChannels; channel += 1) {
      const samples = new Float32Array(buffer.getChannelData(channel));
      for (let i = 0; i < length; i += 1) {
        const rise = 0.5 - 0.5 * Math.cos((Math.PI * (i + 0.5)) / length);
        samples[i] *= rise;
        samples[samples.length - 1 - i] *= rise;
      }
      copy.copyToChannel(samples, channel);
    }
    return copy;
  }

  // The first frame at which a change may begin.
  soonest() {
    return Math.max(Math.ceil((this.context.currentTime + LEAD_SECONDS) * this.context.sampleRate), this.free);
  }

  // Changes to `buffer` at `gainDb`; `restart` begins the loop, else the place is kept. `at` is a frame.
  sound(buffer, gainDb, restart, at) {
    const rate = this.context.sampleRate;
    const begin = this.silence(at === undefined ? this.soonest() : Math.max(at, this.free));
    if (restart) this.origin = begin;
    const offset = (((begin - this.origin) % buffer.length) + buffer.length) % buffer.length;
    const source = this.context.createBufferSource();
    const level = this.context.createGain();
    const edge = this.context.createGain();
    source.buffer = buffer;
    source.loop = true;
    level.gain.value = toGain(gainDb);
    edge.gain.value = 0;
    source.connect(level).connect(edge).connect(this.output);
    edge.gain.setValueCurveAtTime(raisedCosine(this.fade, true), begin / rate, this.fade / rate);
    source.start(begin / rate, offset / rate);
    this.voice = { source, edge, buffer };
    this.free = begin + this.fade + 1;
    return begin;
  }

  // Fades out from frame `at`; returns the first frame of silence.
  silence(at) {
    if (!this.voice) return at;
    const rate = this.context.sampleRate;
    this.voice.edge.gain.setValueCurveAtTime(raisedCosine(this.fade, false), at / rate, this.fade / rate);
    this.voice.source.stop((at + this.fade) / rate);
    this.voice = null;
    return at + this.fade;
  }

  stop() { this.free = this.silence(this.soonest()) + 1; }

  // The place in the loop, in seconds; null where nothing sounds.
  place() {
    if (!this.voice) return null;
    const rate = this.context.sampleRate;
    const frame = Math.round(this.context.currentTime * rate) - this.origin;
    return frame < 0 ? 0 : (frame % this.voice.buffer.length) / rate;
  }
}

// Shown where no sound can start.
const SOUND_WORDS = {
  none: "This browser cannot play the sound. Open the page in another, current web browser.",
  held: "The sound did not start. Connect speakers or headphones, close other apps that use them, and press again.",
  decoder: "This browser could not read the sound. Open the page in another one, or ask for the file again: it may be damaged.",
  stopped: "The sound was interrupted by the device or the browser. Press again to continue.",
};
const START_MS = 2000;
class SoundProblem extends Error {}
function soundWords(problem) { return problem instanceof SoundProblem ? problem.message : SOUND_WORDS.held; }

// The one device of the page, made at the first press of a key.
class Player {
  constructor() { this.context = null; this.buffers = new Map(); this.volumeDb = -24; }

  // Raises SoundProblem where no sound can start: what is said is for the listener.
  async wake() {
    if (!this.context) {
      if (typeof AudioContext === "undefined") throw new SoundProblem(SOUND_WORDS.none);
      // where it exists: music, which a phone's silent switch does not mute
      try { if (navigator.audioSession) navigator.audioSession.type = "playback"; } catch { /* as it was */ }
      try { this.context = new AudioContext(); } catch { throw new SoundProblem(SOUND_WORDS.held); }
      const report = () => document.dispatchEvent(new CustomEvent("sound", { detail: this.context.state }));
      for (const event of ["statechange", "error"]) this.context.addEventListener(event, report);
      this.volume = this.context.createGain();
      this.volume.gain.value = toGain(this.volumeDb);
      this.volume.connect(this.context.destination);
      this.deck = new Deck(this.context, this.volume);
    }
    if (this.context.state === "running" && this.moving) return;
    const end = performance.now() + START_MS;
    Promise.resolve(this.context.resume()).catch(() => {});
    let from = null; // its clock, once it says that it runs
    for (;;) {
      if (this.context.state === "running") {
        if (from === null) from = this.context.currentTime;
        if (this.context.currentTime > from) { this.moving = true; return; }
      }
      if (performance.now() > end) throw new SoundProblem(SOUND_WORDS.held);
      await new Promise((done) => { setTimeout(done, 10); });
    }
  }

  // At once, or from `at` (seconds of the context) on, where something louder must first be gone.
  setVolume(db, at) {
    this.volumeDb = db;
    if (!this.volume) return;
    const gain = this.volume.gain, target = db <= SILENT_DB ? 0 : toGain(db);
    gain.setTargetAtTime(target, Math.max(at || 0, this.context.currentTime), target < gain.value ? 0.005 : 0.02);
  }

  async buffer(id) {
    if (!this.buffers.has(id)) {
      this.buffers.set(id, Deck.decode(this.context, id).then((decoded) => this.deck.looped(decoded), () => {
        this.buffers.delete(id);
        throw new SoundProblem(SOUND_WORDS.decoder);
      }));
    }
    return this.buffers.get(id);
  }
}

function decibels(db) { return db <= SILENT_DB ? "silent" : `${String(db).replace("-", "−")} dB`; }

const player = new Player();

function bindVolume(slider, text) {
  slider.value = slider.defaultValue; // a browser that comes back may put an old one in again
  const show = () => {
    text.textContent = decibels(Number(slider.value));
    slider.setAttribute("aria-valuetext", text.textContent);
  };
  slider.addEventListener("input", () => { player.setVolume(Number(slider.value)); show(); });
  show();
  return show;
}
