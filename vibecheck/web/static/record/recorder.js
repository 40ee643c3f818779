// The recorder page: one step after the other, each with its own words.

import { Microphone, troubles } from "./microphone.js";
import { Motion, offered } from "./motion.js";
import { Picture } from "./picture.js";
import { showQuality, showZones } from "./answer.js";

const by = (id) => document.getElementById(id);
const config = JSON.parse(by("recorder").dataset.config);
const STAGES = ["stage-before", "stage-ready", "stage-running", "stage-after", "stage-kept"];
const LOUD_ROOM_DB = -42; // common practice, no source: the car must stand well above the room
const SILENT_DB = -110;

const worker = new Worker("/static/record/capture-worker.js", { type: "module" });
let microphone = null;
let motion = null;
let picture = null;
let phase = "before"; // before · ready · counting · recording · after · kept
let wake = null;
let room = [];
let speeds = [];
let step = -1;
let current = null;
let timer = 0;
let loudest = 0;
let heard = 0;
let early = null; // what the server refused while the recording went on

const text = (id, words) => { const one = by(id); if (one.textContent !== words) one.textContent = words; };
const show = (id, on = true) => { by(id).hidden = !on; };
const say = (words) => text("state", words);

function enter(name) {
  phase = name;
  const stage = { before: "stage-before", ready: "stage-ready", counting: "stage-running", recording: "stage-running", after: "stage-after", kept: "stage-kept" }[name];
  for (const one of STAGES) show(one, one === stage);
  show("live", ["ready", "counting", "recording"].includes(name));
  show("count", name === "counting");
  show("script", name === "recording");
}

// ---- trouble ----------------------------------------------------------------------------

function trouble(problem, advice, withAgain = true) {
  text("trouble-what", problem.message || problem);
  text("trouble-advice", problem.advice || advice || "");
  show("again-microphone", withAgain);
  show("trouble");
}

function interrupted(problem) {
  if (phase === "recording") finish(problem.code);
  else if (phase === "counting" || phase === "ready") { clearTimeout(timer); enter("before"); }
  else return;
  trouble(problem);
  off();
}

function off() {
  microphone?.close();
  microphone = null;
  motion?.stop();
  wake?.release().catch(() => {});
  wake = null;
}

document.addEventListener("visibilitychange", () => {
  if (document.visibilityState === "hidden" && (phase === "recording" || phase === "counting")) {
    interrupted(troubles.hidden());
  }
});
window.addEventListener("online", () => worker.postMessage({ kind: "online" }));
window.addEventListener("beforeunload", (event) => { if (phase === "recording") event.preventDefault(); });

// ---- microphone on ------------------------------------------------------------------------

async function turnOn() {
  show("trouble", false);
  by("turn-on").disabled = true;
  text("turn-on", "Asking for the microphone");
  try {
    motion = null;
    if (offered() && by("motion").checked) {
      motion = new Motion();
      await motion.start();
    }
    room = [];
    speeds = [];
    picture = new Picture(by("picture"), config.highest_rpm, config.cap_rpm);
    microphone = await Microphone.open(worker, { orders: config.orders, highestRpm: config.highest_rpm }, interrupted);
    showProcessing();
    by("start").disabled = true;
    text("room", "Listening to the room: keep quiet, motor off.");
    enter("ready");
    say("The microphone is on.");
    navigator.wakeLock?.request("screen").then((lock) => { wake = lock; }, () => {});
  } catch (problem) {
    trouble(problem);
    off();
  }
  by("turn-on").disabled = false;
  text("turn-on", "Turn the microphone on");
}

function showProcessing() {
  const box = by("processing");
  const { on, unsaid } = microphone;
  box.className = on.length ? "warn" : "note";
  const lines = [];
  if (on.length) {
    lines.push(`Still on in this browser: ${on.join("; ")}. It would change the sound.`);
    lines.push("Switch it off in the phone's or browser's sound settings, try another browser, or record with the phone's own recorder and add the file. You can record all the same: it is written down with the recording.");
  } else if (!unsaid.length) {
    lines.push("Automatic gain, noise suppression and echo cancellation are off: the browser says so itself.");
  }
  if (unsaid.length) lines.push(`The browser does not say whether it does this: ${unsaid.join("; ")}. The recording itself is looked at for it.`);
  box.replaceChildren(...lines.map((words) => Object.assign(document.createElement("p"), { textContent: words })));
}

function hearRoom(rms) {
  room.push(rms);
  const need = Math.ceil((config.room_s * microphone.rateHz) / 2048);
  if (room.length < need) return;
  room = room.slice(-need);
  const db = 10 * Math.log10(room.reduce((sum, x) => sum + x * x, 0) / room.length + 1e-14);
  if (db < SILENT_DB) text("room", "The microphone gives no sound at all. Is it muted or covered?");
  else if (db > LOUD_ROOM_DB) text("room", `The room is loud (${db.toFixed(0)} dB of full scale). Motor off? Fans, radio, other motors off? Nobody speaking?`);
  else text("room", `The room is quiet enough (${db.toFixed(0)} dB of full scale).`);
  if (by("start").disabled) {
    by("start").disabled = false;
    by("start").focus();
    say(by("room").textContent);
  }
}

// ---- countdown and recording ----------------------------------------------------------------

function countDown() {
  show("trouble", false);
  enter("counting");
  by("stop").focus();
  let left = config.count_from;
  const tick = () => {
    if (phase !== "counting") return;
    if (left === 0) { begin(); return; }
    text("count", String(left));
    say(String(left));
    microphone.beep(left === 1 ? 880 : 587);
    left -= 1;
    timer = setTimeout(tick, 1000);
  };
  tick();
}

function begin() {
  const started = new Date();
  const two = (n) => String(n).padStart(2, "0");
  const stamp = `${started.getFullYear()}-${two(started.getMonth() + 1)}-${two(started.getDate())} ${two(started.getHours())}-${two(started.getMinutes())}-${two(started.getSeconds())}`;
  const base = { sitting: config.sitting, spot: config.spot };
  const { settings, claims, rateHz, track } = microphone;
  current = {
    base,
    stamp,
    wish: {
      ...base,
      key: crypto.randomUUID(),
      sensor: "microphone",
      file_name: `${config.spot.replaceAll("_", "-")} ${stamp}.wav`,
      form: "pcm_f32le",
      sample_rate_hz: rateHz,
      channels: 1,
      capture: {
        ...claims,
        car: config.car,
        started: started.toISOString(),
        device: (track.label || "microphone").slice(0, 120),
        browser: navigator.userAgent.slice(0, 250),
        claimed_rate_hz: settings.sampleRate ?? null,
        claimed_channels: settings.channelCount ?? null,
      },
    },
  };
  step = -1;
  motion?.mark();
  worker.postMessage({ kind: "record", wish: current.wish });
  enter("recording");
  follow(0);
}

/** The throttle script, by the time that was recorded. */
function follow(seconds) {
  let from = 0;
  let at = 0;
  while (at < config.steps.length && seconds >= from + config.steps[at].seconds) from += config.steps[at++].seconds;
  if (at === config.steps.length || seconds >= config.longest_s) { finish(""); return; }
  const now = config.steps[at];
  if (at !== step) {
    step = at;
    text("big", now.big);
    text("line", now.words);
    const next = config.steps[at + 1];
    text("next", next ? `then: ${next.big}` : "then it stops by itself");
    say(`${now.big}. ${now.words}`);
    by("script").dataset.step = String(at);
  }
  text("left", `${Math.ceil(from + now.seconds - seconds)} s`);
}

function stop() {
  if (phase === "counting") { clearTimeout(timer); enter("ready"); say("Stopped before anything was recorded."); return; }
  finish("");
}

function finish(why) {
  if (phase !== "recording") return;
  performance.mark("vibecheck-stop");
  worker.postMessage({ kind: "stop", interrupted: why });
  const table = motion?.table() || "";
  if (table) {
    worker.postMessage({
      kind: "motion",
      text: table,
      wish: {
        ...current.base,
        key: crypto.randomUUID(),
        sensor: "accelerometer",
        file_name: `motion-${config.spot.replaceAll("_", "-")} ${current.stamp}.csv`,
        form: "file",
        reading: { unit: "m/s^2", time_unit: "s" },
      },
    });
  }
  current.motion = motion ? (table ? "The phone's motion was recorded too." : motion.words()) : "";
  off();
  by("answer").replaceChildren();
  by("quality").replaceChildren();
  show("decide", false);
  by("progress").value = 0;
  delete by("keep").dataset.retry;
  text("sending", "Sending the rest to your computer.");
  text("after-title", "Recorded");
  enter("after");
  say("Recording ended.");
  if (early) { hear.refused(early); early = null; }
}

// ---- what the worker says ---------------------------------------------------------------------

const hear = {
  live({ peak, rms, column, rpm, settled, recorded, lost, gaps, clipped }) {
    if (!microphone) return;
    picture.add(column, rpm);
    if (phase === "ready" && settled) hearRoom(rms);
    if (phase === "recording") follow(recorded);
    if (!microphone) return;
    // Words and meter six times a second: a change of text lays the page out anew.
    loudest = Math.max(loudest, peak);
    speeds = [...speeds.slice(-2), rpm];
    heard += 1;
    if (heard % 4) return;
    const db = 20 * Math.log10(loudest + 1e-6);
    loudest = 0;
    by("meter").value = db;
    text("level", `${Math.max(-99, db).toFixed(0)} dB`);
    if (phase === "recording") {
      text("elapsed", `${recorded.toFixed(1)} s`);
      text("lost", lost ? `${lost} samples lost at ${gaps} place${gaps > 1 ? "s" : ""}` : "0 samples lost");
      text("clipped", clipped ? `too loud: ${clipped} samples cut off, move the phone away` : "never too loud");
    }
    showSpeed(rpm);
  },

  stopped({ seconds, lost, gaps, clipped, again }) {
    const parts = [`${seconds.toFixed(1)} s`, lost ? `${lost} samples lost at ${gaps} place${gaps > 1 ? "s" : ""}` : "0 samples lost"];
    if (clipped) parts.push(`${clipped} samples too loud`);
    text("after-title", `${again ? "Found again" : "Recorded"}: ${parts.join(", ")}`);
  },

  sent({ key, sent, have, ended, waiting, message }) {
    if (phase !== "after" || key !== current?.wish.key) return;
    if (waiting) {
      text("sending", `${message || "The computer cannot be reached."} The recording is kept in this browser and goes on by itself.`);
      show("keep", false); // nothing to keep before it has arrived, but another try is possible
      show("decide");
    } else if (sent !== undefined && ended) {
      by("progress").value = sent / have;
      text("sending", "Sending the rest to your computer.");
    } else if (waiting === false) text("sending", "The computer is back.");
  },

  arrived({ key }) {
    if (phase !== "after" || key !== current?.wish.key) return;
    by("progress").value = 1;
    text("sending", "It arrived whole. Listening to it.");
  },

  looked({ key, answer }) {
    if (phase !== "after" || key !== current?.wish.key) return;
    performance.mark("vibecheck-looked");
    text("sending", [answer.quality.words, current?.motion].filter(Boolean).join(" "));
    showQuality(by("quality"), answer);
    showZones(by("answer"), answer);
    const poor = answer.quality.verdict === "unusable";
    by("keep").classList.toggle("primary", !poor);
    by("redo").classList.toggle("primary", poor);
    text("keep", poor ? "Keep it all the same" : "Keep");
    show("keep");
    show("decide");
    by(poor ? "redo" : "keep").focus({ preventScroll: true });
  },

  refused(refusal) {
    if (phase === "recording") { early = refusal; return; } // first the recording, then its way
    if (refusal.key && refusal.key !== current?.wish.key) return;
    const { status, message, advice } = refusal;
    enter("after");
    text("sending", "");
    trouble(message, advice, false);
    show("keep");
    show("decide");
    text("keep", status === 0 || status >= 500 || status === 401 || status === 403 ? "Try again" : "Keep");
    by("keep").dataset.retry = "yes";
  },

  kept({ where, motion: besides }) {
    by("result-link").href = where;
    text("kept-words", "The recording is in the bench check." + (besides === "kept" ? " So is the phone's motion." : "") + " The hand check is due all the same.");
    show("trouble", false);
    enter("kept");
    say("Kept.");
    by("kept-title").focus();
  },

  discarded() {},
  dropped() { show("found", false); },
  empty() { enter("before"); trouble("Nothing was recorded.", "Turn the microphone on again, and let the countdown end."); },
  note({ code }) {
    if (code === "no_shelf") say("This browser keeps nothing for this page: do not reload before the recording is kept.");
  },

  found({ takes }) {
    const [one] = takes.filter((take) => take.here);
    if (!one || phase !== "before") return;
    const other = one.wish.spot === config.spot ? "" : ` It belongs to another spot (${one.wish.spot.replaceAll("_", " ")}).`;
    const cut = one.state === "recording" || one.interrupted ? " It was cut off while it was recorded, so its end is missing." : "";
    text("found-words", `${one.seconds.toFixed(1)} s were recorded in this bench check and not kept yet.${cut}${other}`);
    by("found-use").onclick = () => {
      current = { wish: one.wish };
      show("found", false);
      enter("after");
      text("sending", "Sending it to your computer.");
      worker.postMessage({ kind: "resume", key: one.key });
    };
    by("found-drop").onclick = () => worker.postMessage({ kind: "drop", key: one.key });
    show("found");
  },
};

function showSpeed(rpm) {
  const [a, b] = [Math.min(...speeds), Math.max(...speeds)];
  if (speeds.length < 3 || a <= 0 || b > 1.06 * a) { text("speed", rpm > 0 ? "Speed: changing" : "Speed: not heard"); return; }
  const round = (x) => (Math.round(x / 50) * 50).toLocaleString("en").replaceAll(",", " ");
  const wheels = config.wheel_ratio ? `, wheels ${round(rpm * config.wheel_ratio)}` : "";
  const above = config.cap_rpm && a > config.cap_rpm;
  text("speed", `${above ? "TOO FAST, let go: " : "Speed: "}${config.shaft} about ${round(rpm)} rpm${wheels}`);
}

worker.onmessage = ({ data }) => hear[data.kind]?.(data);
worker.onerror = () => trouble(troubles.too_old());

// ---- buttons ----------------------------------------------------------------------------------

by("turn-on").addEventListener("click", turnOn);
by("again-microphone").addEventListener("click", () => { off(); if (phase === "after") enter("before"); turnOn(); });
by("start").addEventListener("click", countDown);
by("stop").addEventListener("click", stop);
by("keep").addEventListener("click", () => {
  const retry = by("keep").dataset.retry === "yes";
  delete by("keep").dataset.retry;
  show("trouble", false);
  show("decide", false);
  text("sending", retry ? "Trying again." : "Keeping it.");
  worker.postMessage({ kind: retry ? "retry" : "keep" });
});
by("redo").addEventListener("click", () => {
  worker.postMessage({ kind: "discard" });
  show("trouble", false);
  enter("before");
  turnOn();
});

if (offered()) show("motion-choice");
if (!window.isSecureContext || !navigator.mediaDevices) trouble(troubles.insecure());
worker.postMessage({ kind: "list", sitting: config.sitting });
