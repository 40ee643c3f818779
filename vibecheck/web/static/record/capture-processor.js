// In the sound thread: copies what the microphone gives, untouched, in batches, straight to the
// worker. Each batch says at which frame it begins and when it was full, so that the worker can count
// what is missing.

const BATCH_FRAMES = 2048;

class CaptureProcessor extends AudioWorkletProcessor {
  constructor() {
    super();
    this.out = null;
    this.ended = false;
    this.batch = new Float32Array(BATCH_FRAMES);
    this.filled = 0;
    this.first = 0;
    this.port.onmessage = ({ data }) => {
      if (data.port) this.out = data.port;
      if (data.end) this.ended = true;
    };
  }

  send() {
    if (this.filled === 0) return;
    const samples = this.filled === BATCH_FRAMES ? this.batch : this.batch.slice(0, this.filled);
    this.out.postMessage({ frame: this.first, at: Date.now(), samples }, [samples.buffer]);
    this.batch = new Float32Array(BATCH_FRAMES);
    this.filled = 0;
  }

  process(inputs) {
    if (this.ended) return false;
    const samples = inputs[0][0]; // the first microphone of the device; a mean of two would comb
    if (!this.out || !samples) return true;
    if (this.filled > 0 && currentFrame !== this.first + this.filled) this.send();
    if (this.filled + samples.length > BATCH_FRAMES) this.send();
    if (this.filled === 0) this.first = currentFrame;
    this.batch.set(samples, this.filled);
    this.filled += samples.length;
    if (this.filled === BATCH_FRAMES) this.send();
    return true;
  }
}

registerProcessor("vibecheck-capture", CaptureProcessor);
