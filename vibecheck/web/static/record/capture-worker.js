// Beside the page: takes in the samples, counts what is missing, keeps them, sends them, and
// computes what the page draws. The page's own thread never touches a sample.

import { LiveView } from "./live.js";
import { Pieces } from "./pieces.js";
import { Refused, Sender, ask } from "./send.js";
import { Sha256 } from "./sha256.js";

const DISCARDED_S = 0.5; // right after the start browsers jump by some thousand samples
const PIECE_BYTES = 32768; // a fifth of a second: that much a reload can lose while recording
const LONGEST_GAP_S = 5; // a gap is filled with silence, so that times stay true; not a longer one
const ZERO_RUN = 128; // so many exact zeros in a row are no sound: the device gave nothing

const FORGOTTEN_MS = 14 * 86400e3; // a bench check of two weeks ago gets no more recordings
const CLOCK_SLACK_MS = 40; // sound cards and computers disagree by less in three minutes

const pieces = Pieces.open().catch(() => null);
const tell = (message, transfer = []) => postMessage(message, transfer);

let rateHz = 48000;
let view = null;
let firstFrame = null;
let nextFrame = null;
let take = null; // the recording in the making, or waiting to be kept

/**
 * Finds sound that went missing without a trace in the count of frames: where the sound thread was
 * held up, its frames fall behind the clock for good. A batch that is only late catches up again,
 * so the least delay of each second is what counts.
 */
class Clock {
  constructor() { this.least = null; this.delays = []; }

  add(frame, atMs) {
    this.delays.push(atMs - (1000 * frame) / rateHz);
    if (this.delays.length * 2048 < rateHz) return 0;
    const now = Math.min(...this.delays);
    this.delays = [];
    if (this.least === null || now < this.least) this.least = now;
    const fell = now - this.least;
    if (fell < CLOCK_SLACK_MS) return 0;
    this.least = now;
    return Math.round((fell / 1000) * rateHz);
  }
}

class Recording {
  constructor(wish, parts = []) {
    this.wish = wish;
    this.parts = parts;
    this.have = parts.reduce((sum, part) => sum + part.byteLength, 0);
    this.hash = new Sha256();
    for (const part of parts) this.hash.update(part);
    this.fill = new Float32Array(PIECE_BYTES / 4);
    this.nFill = 0;
    this.ended = false;
    this.frames = this.have / 4;
    this.gaps = 0;
    this.lost = 0;
    this.clipped = 0;
    this.zeros = 0;
    this.clock = new Clock();
    this.saved = Promise.resolve();
    this.sender = new Sender(
      {
        wish,
        have: () => this.have,
        ended: () => this.ended,
        bytes: (from, to) => this.bytes(from, to),
        sha256: () => this.sha256(),
        claims: () => ({ gaps: this.gaps, dropped_frames: this.lost, clipped: this.clipped, interrupted: this.interrupted || "" }),
      },
      (news) => tell({ kind: "sent", key: wish.key, ...news }),
    );
  }

  add(samples) {
    this.count(samples);
    this.frames += samples.length;
    for (let at = 0; at < samples.length; ) {
      const n = Math.min(samples.length - at, this.fill.length - this.nFill);
      this.fill.set(samples.subarray(at, at + n), this.nFill);
      this.nFill += n;
      at += n;
      if (this.nFill === this.fill.length) this.flush();
    }
  }

  /** Clipped samples, and runs of exact zeros with sound on both sides of them. */
  count(samples) {
    for (const x of samples) {
      if (x >= 0.999 || x <= -0.999) this.clipped += 1;
      if (x === 0) {
        this.zeros += 1;
      } else {
        if (this.zeros >= ZERO_RUN && this.heard) { this.gaps += 1; this.lost += this.zeros; }
        this.zeros = 0;
        this.heard = true;
      }
    }
  }

  flush() {
    if (this.nFill === 0) return;
    const part = new Uint8Array(this.fill.slice(0, this.nFill).buffer);
    this.nFill = 0;
    const index = this.parts.length;
    this.parts.push(part);
    this.have += part.byteLength;
    this.hash.update(part);
    this.save((base) => base.add(this.wish.key, index, part));
    this.sender.wake();
  }

  save(step) {
    this.saved = this.saved.then(() => pieces).then((base) => base && step(base)).catch(() => {
      if (!this.told) tell({ kind: "note", code: "no_shelf" });
      this.told = true;
    });
    return this.saved;
  }

  /** Samples as little-endian float32, which every browser's machine has by nature. */
  bytes(from, to) {
    const whole = new Uint8Array(to - from);
    let at = 0;
    for (const part of this.parts) {
      const first = Math.max(from, at);
      const last = Math.min(to, at + part.byteLength);
      if (first < last) whole.set(part.subarray(first - at, last - at), first - from);
      at += part.byteLength;
      if (at >= to) break;
    }
    return whole;
  }

  sha256() {
    this.digest ??= this.hash.hex();
    return this.digest;
  }

  /** Send what is there, then ask what it shows. */
  async deliver(andLook = true) {
    try {
      const { id, phase, where } = await this.sender.run();
      this.id = id;
      tell({ kind: "arrived", key: this.wish.key });
      if (phase === "kept") { await this.forget(); tell({ kind: "kept", where }); return; }
      if (!andLook) return;
      const answer = await this.sender.insist(() => ask("POST", `/uploads/${id}/look`));
      tell({ kind: "looked", key: this.wish.key, answer });
    } catch (error) {
      report(error, this.wish.key);
    }
  }

  async forget() {
    this.sender.stop();
    await this.save((base) => base.drop(this.wish.key));
  }
}

function report(error, key) {
  if (error.name === "AbortError") return;
  const known = error instanceof Refused;
  tell({
    kind: "refused",
    key,
    status: known ? error.status : 0,
    message: known ? error.message : `This page ran into a fault of its own (${error.message}).`,
    advice: known ? error.advice : "Reload the page: what was recorded is kept in this browser.",
  });
}

function heard({ data }) {
  const { frame, at, samples } = data;
  const missing = nextFrame === null ? 0 : frame - nextFrame;
  firstFrame ??= frame;
  nextFrame = frame + samples.length;
  if (take && !take.ended && frame - firstFrame >= DISCARDED_S * rateHz) {
    if (take.begun && missing > 0) {
      take.gaps += 1;
      take.lost += missing;
      if (missing < LONGEST_GAP_S * rateHz) take.add(new Float32Array(missing));
    }
    take.begun = true;
    take.add(samples);
    const fell = take.clock.add(nextFrame, at);
    if (fell > 0) { take.gaps += 1; take.lost += fell; }
  }
  let peak = 0;
  let power = 0;
  for (const x of samples) { const a = Math.abs(x); if (a > peak) peak = a; power += x * x; }
  const { column, rpm } = view.push(samples);
  tell({
    kind: "live",
    frame: nextFrame,
    settled: nextFrame - firstFrame >= DISCARDED_S * rateHz,
    peak,
    rms: Math.sqrt(power / samples.length),
    column,
    rpm,
    recorded: take && take.begun ? take.frames / rateHz : 0,
    lost: take ? take.lost : 0,
    gaps: take ? take.gaps : 0,
    clipped: take ? take.clipped : 0,
  }, [column.buffer]);
}

const orders = {
  /** The microphone is on. */
  open({ port, rate, orders: teeth, highestRpm }) {
    rateHz = rate;
    view = new LiveView(rate, teeth, highestRpm);
    firstFrame = nextFrame = null;
    port.onmessage = heard;
  },

  /** Record from the next batch on, and send while recording. */
  record({ wish }) {
    take = new Recording(wish);
    take.save((base) => base.put({ key: wish.key, wish, state: "recording" }));
    take.delivered = take.deliver();
  },

  async stop({ interrupted = "" }) {
    if (!take || take.ended) return;
    take.flush();
    const { gaps, lost, clipped, frames, wish } = take;
    if (frames === 0) { await orders.discard(); tell({ kind: "empty" }); return; }
    take.ended = true;
    tell({ kind: "stopped", seconds: frames / rateHz, gaps, lost, clipped });
    take.interrupted = interrupted;
    take.save((base) => base.put({ key: wish.key, wish, state: "ended", interrupted, gaps, lost, clipped }));
    take.sender.poke();
  },

  /** The phone's own motion: a small table beside the sound, kept with it and never judged. */
  motion({ wish, text }) {
    const bytes = new TextEncoder().encode(text);
    const beside = new Recording({ ...wish, size: bytes.byteLength }, [bytes]);
    beside.ended = true;
    if (take) take.beside = beside;
    beside.delivered = beside.deliver(false);
  },

  async keep() {
    const now = take;
    try {
      const { where } = await now.sender.insist(() => ask("POST", `/uploads/${now.id}/keep`));
      let motion = "";
      if (now.beside) {
        await now.beside.delivered;
        motion = "none";
        if (now.beside.id) {
          await ask("POST", `/uploads/${now.beside.id}/keep`).then(() => { motion = "kept"; }, () => {});
        }
      }
      await now.forget();
      if (take === now) take = null;
      tell({ kind: "kept", where, motion });
    } catch (error) {
      report(error, now.wish.key);
    }
  },

  /** Record again: this one goes, here and there. */
  async discard() {
    const gone = take;
    take = null;
    if (!gone) return;
    gone.ended = true;
    for (const one of [gone, gone.beside].filter(Boolean)) {
      await one.forget();
      const id = one.id || one.sender.id;
      if (id) await ask("DELETE", `/uploads/${id}`).catch(() => {}); // swept there in a day
    }
    tell({ kind: "discarded" });
  },

  /** Recordings of this bench check that an earlier page did not see through. */
  async list({ sitting }) {
    const base = await pieces;
    const found = [];
    for (const one of base ? await base.takes() : []) {
      const size = (await base.of(one.key)).reduce((sum, part) => sum + part.byteLength, 0);
      const age = Date.now() - Date.parse(one.wish.capture?.started || 0);
      if (size === 0 || age > FORGOTTEN_MS) { await base.drop(one.key); continue; }
      found.push({ ...one, seconds: size / 4 / one.wish.sample_rate_hz, here: one.wish.sitting === sitting });
    }
    tell({ kind: "found", takes: found });
  },

  /** Go on with one of them. */
  async resume({ key }) {
    const base = await pieces;
    const found = (await base.takes()).find((one) => one.key === key);
    if (!found) return;
    take = new Recording(found.wish, await base.of(key));
    take.ended = true;
    take.interrupted = found.state === "recording" ? "reload" : found.interrupted || "";
    for (const name of ["gaps", "lost", "clipped"]) take[name] = found[name] || 0;
    const { gaps, lost, clipped } = take;
    tell({ kind: "stopped", seconds: take.frames / found.wish.sample_rate_hz, gaps, lost, clipped, again: true });
    take.delivered = take.deliver();
  },

  async drop({ key }) {
    const base = await pieces;
    await base.drop(key);
    tell({ kind: "dropped", key });
  },

  /** Look once more, after a refusal that may have passed. */
  retry() {
    if (!take || take.ended === false) return;
    take.sender.stopped = false;
    take.delivered = take.deliver();
  },

  online() {
    take?.sender.poke();
    take?.beside?.sender.poke();
  },
};

onmessage = ({ data }) => Promise.resolve(orders[data.kind](data)).catch((error) => report(error, ""));
