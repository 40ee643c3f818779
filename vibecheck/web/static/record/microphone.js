// Opens the microphone with everything off that would change the sound, and finds out from the
// track itself whether it is off.

const WANTED = {
  autoGainControl: ["auto_gain_control", "automatic gain (the browser turns loud and soft up and down)"],
  noiseSuppression: ["noise_suppression", "noise suppression (the browser removes what is not a voice)"],
  echoCancellation: ["echo_cancellation", "echo cancellation"],
};

/** What went wrong, in the owner's words; every one has a way on. */
export class Trouble extends Error {
  constructor(code, message, advice) {
    super(message);
    this.code = code;
    this.advice = advice;
  }
}

const WAY = "Or record with the phone's own recorder and add the file.";

export const troubles = {
  insecure: () => new Trouble("insecure",
    "The browser gives the microphone only to pages that it trusts, and this page came without encryption.",
    "Open the address that begins with https, as the terminal shows it. Or record with the phone's own recorder and add the file."),
  too_old: () => new Trouble("too_old", "This browser cannot hand over the sound as it is.",
    "Use a newer browser. " + WAY),
  denied: () => new Trouble("denied", "The microphone was not allowed for this page.",
    "Tap the sign beside the address, allow the microphone, then try again. " + WAY),
  none: () => new Trouble("none", "No microphone was found.", "Plug one in, then try again. " + WAY),
  busy: () => new Trouble("busy", "The microphone cannot be opened: another app may be using it.",
    "Close calls and other recorders, then try again. " + WAY),
  rates: () => new Trouble("rates", "This browser cannot take the sound of this microphone as it is.",
    "Choose another microphone, or another browser. " + WAY),
  ended: () => new Trouble("ended", "The microphone was taken away (unplugged, switched off, or no longer allowed).",
    "What was recorded up to then is kept. Plug it in or allow it again, then record again."),
  call: () => new Trouble("call", "The phone silenced the microphone: a call or another app took it.",
    "What was recorded up to then is kept. Finish the call, then record again."),
  hidden: () => new Trouble("hidden", "The page went out of sight while it recorded (another app, a call, or the screen went dark).",
    "The recording was ended there; what came before is kept. Keep this page in front, then record again."),
  paused: () => new Trouble("paused", "The phone paused the sound of this page.",
    "What was recorded up to then is kept. Tap to turn the microphone on again."),
};

function troubleOf(error) {
  switch (error.name) {
    case "NotAllowedError": case "SecurityError": case "PermissionDeniedError": return troubles.denied();
    case "NotFoundError": case "OverconstrainedError": case "DevicesNotFoundError": return troubles.none();
    case "NotSupportedError": return troubles.rates();
    case "NotReadableError": case "AbortError": case "TrackStartError": return troubles.busy();
    default: return troubles.too_old();
  }
}

/** true: the browser does it; false: it does not; null: it does not say. */
const claim = (value) => (value === undefined || value === null ? null : value !== false && value !== "none");

/** What the track says about itself: claims for the file, and what is still on, in words. */
export function verify(settings) {
  const claims = {};
  const on = [];
  const unsaid = [];
  for (const [name, [key, words]] of Object.entries(WANTED)) {
    claims[key] = claim(settings[name]);
    if (claims[key] === true) on.push(words);
    if (claims[key] === null) unsaid.push(words);
  }
  return { claims, on, unsaid };
}

export class Microphone {
  /**
   * @param {Worker} worker gets the samples
   * @param {object} live orders and highest speed, for the picture
   * @param {(trouble: Trouble) => void} onTrouble
   */
  static async open(worker, live, onTrouble) {
    if (!window.isSecureContext || !navigator.mediaDevices?.getUserMedia) throw troubles.insecure();
    if (!window.AudioContext || !window.AudioWorkletNode) throw troubles.too_old();
    const one = new Microphone();
    // Made within the tap: some browsers keep a context silent that was not. Its rate is its own.
    one.context = new AudioContext({ latencyHint: "interactive" });
    try {
      one.stream = await navigator.mediaDevices.getUserMedia({
        audio: { autoGainControl: false, noiseSuppression: false, echoCancellation: false },
        video: false,
      });
      [one.track] = one.stream.getAudioTracks();
      await one.context.resume();
      await one.context.audioWorklet.addModule("/static/record/capture-processor.js");
      one.source = one.context.createMediaStreamSource(one.stream);
    } catch (error) {
      one.close();
      throw troubleOf(error);
    }
    one.settings = one.track.getSettings();
    Object.assign(one, verify(one.settings));
    one.rateHz = one.context.sampleRate;
    one.node = new AudioWorkletNode(one.context, "vibecheck-capture", {
      numberOfInputs: 1, numberOfOutputs: 1, outputChannelCount: [1],
      channelCountMode: "max", channelInterpretation: "discrete",
    });
    const { port1, port2 } = new MessageChannel();
    worker.postMessage({ kind: "open", port: port2, rate: one.rateHz, ...live }, [port2]);
    one.node.port.postMessage({ port: port1 }, [port1]);
    one.source.connect(one.node).connect(one.context.destination); // silent: keeps the graph running
    one.track.addEventListener("ended", () => onTrouble(troubles.ended()));
    one.track.addEventListener("mute", () => onTrouble(troubles.call()));
    one.context.addEventListener("statechange", () => {
      if (!one.closed && one.context.state !== "running") onTrouble(troubles.paused());
    });
    return one;
  }

  /** A short tone, before anything is recorded. */
  beep(hz, seconds = 0.12) {
    const tone = new OscillatorNode(this.context, { frequency: hz });
    const gain = new GainNode(this.context, { gain: 0 });
    const now = this.context.currentTime;
    gain.gain.setValueAtTime(0, now);
    gain.gain.linearRampToValueAtTime(0.2, now + 0.01);
    gain.gain.linearRampToValueAtTime(0, now + seconds);
    tone.connect(gain).connect(this.context.destination);
    tone.start(now);
    tone.stop(now + seconds);
  }

  close() {
    this.closed = true;
    this.node?.port.postMessage({ end: true });
    this.stream?.getTracks().forEach((track) => track.stop());
    this.context?.close().catch(() => {});
  }
}
