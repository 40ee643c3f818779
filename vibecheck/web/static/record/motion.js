// The phone's own motion, where the browser gives it: 60 values a second at most, rounded to
// 0.1 m/s²: rest, knocks and sway. It is kept beside the sound and never judged.

export const offered = () => typeof DeviceMotionEvent !== "undefined";

export class Motion {
  constructor() {
    this.rows = [];
    this.state = "waiting"; // waiting · running · none (no sensor) · denied
    this.onEvent = (event) => {
      const a = event.accelerationIncludingGravity || event.acceleration;
      if (!a || a.x === null) { if (this.state === "waiting") this.state = "none"; return; }
      this.state = "running";
      if (this.since !== undefined && event.timeStamp >= this.since) {
        this.rows.push([event.timeStamp, a.x, a.y, a.z]);
      }
    };
  }

  /** Call it from a tap: some browsers ask the owner then. */
  async start() {
    if (typeof DeviceMotionEvent.requestPermission === "function") {
      const answer = await DeviceMotionEvent.requestPermission().catch(() => "denied");
      if (answer !== "granted") { this.state = "denied"; return; }
    }
    window.addEventListener("devicemotion", this.onEvent);
  }

  mark() {
    this.rows = [];
    this.since = performance.now();
  }

  stop() {
    window.removeEventListener("devicemotion", this.onEvent);
  }

  /** The table of what came since `mark`, or "" where it is too little to be read. */
  table() {
    if (this.state !== "running" || this.rows.length < 20) return "";
    const lines = this.rows.map(([t, x, y, z]) =>
      `${((t - this.since) / 1000).toFixed(4)},${x.toFixed(3)},${y.toFixed(3)},${z.toFixed(3)}\n`);
    return `time,x,y,z\n${lines.join("")}`;
  }

  words() {
    switch (this.state) {
      case "running": return "The phone's motion is recorded too.";
      case "none": return "This device has no motion sensor: the sound alone is recorded.";
      case "denied": return "The motion sensor was not allowed: the sound alone is recorded.";
      default: return "No motion has come from a sensor so far.";
    }
  }
}
