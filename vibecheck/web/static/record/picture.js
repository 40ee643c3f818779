// The moving picture: a spectrum that is drawn over from left to right (nothing scrolls), and the
// motor's speed below it. One column of pixels for each new spectrum.

const ROWS = 200;
const GAP = 6;
const SPEED_ROWS = 70;
const WIDTH = 360;

// From black over blue-green to a pale yellow: lighter is louder, also without colours.
const PALETTE = new Uint32Array(256);
{
  const stops = [[0, 8, 10, 24], [80, 38, 60, 110], [150, 32, 130, 130], [210, 130, 200, 90], [255, 253, 247, 190]];
  for (let k = 0, s = 0; k < 256; k += 1) {
    while (k > stops[s + 1][0]) s += 1;
    const [a, b] = [stops[s], stops[s + 1]];
    const part = (k - a[0]) / (b[0] - a[0]);
    const mix = (i) => Math.round(a[i] + part * (b[i] - a[i]));
    PALETTE[k] = (255 << 24) | (mix(3) << 16) | (mix(2) << 8) | mix(1);
  }
}

export class Picture {
  constructor(canvas, highestRpm, capRpm) {
    canvas.width = WIDTH;
    canvas.height = ROWS + GAP + SPEED_ROWS;
    this.pen = canvas.getContext("2d", { alpha: false });
    this.highestRpm = highestRpm;
    this.capRow = capRpm ? this.row(capRpm) : -1;
    this.at = 0;
    this.waiting = [];
    this.strip = this.pen.createImageData(1, ROWS + GAP + SPEED_ROWS);
    this.pixels = new Uint32Array(this.strip.data.buffer);
    this.pen.fillStyle = "#080a18";
    this.pen.fillRect(0, 0, canvas.width, canvas.height);
    this.draw = () => {
      this.asked = 0;
      for (const { column, rpm } of this.waiting) this.one(column, rpm);
      this.waiting.length = 0;
    };
  }

  row(rpm) {
    const share = Math.min(1, rpm / this.highestRpm);
    return ROWS + GAP + Math.round((1 - share) * (SPEED_ROWS - 1));
  }

  /** Take in a spectrum; it is on the screen with the next frame. */
  add(column, rpm) {
    this.waiting.push({ column, rpm });
    if (this.waiting.length > WIDTH) this.waiting.shift(); // out of sight: no frames are drawn
    if (!this.asked) this.asked = requestAnimationFrame(this.draw);
  }

  one(column, rpm) {
    const { pixels } = this;
    for (let k = 0; k < ROWS; k += 1) pixels[ROWS - 1 - k] = PALETTE[column[k]];
    pixels.fill(0xff2c2420, ROWS, ROWS + GAP);
    pixels.fill(0xff180a08, ROWS + GAP);
    if (this.capRow > 0 && this.at % 8 < 5) pixels[this.capRow] = 0xff6f9fff;
    if (rpm > 0) {
      const row = this.row(rpm);
      pixels.fill(0xffffffff, row - (row > ROWS + GAP ? 1 : 0), row + 2);
    }
    this.pen.putImageData(this.strip, this.at, 0);
    this.at = (this.at + 1) % WIDTH;
    this.pen.fillStyle = "#fff";
    this.pen.fillRect(this.at, 0, 2, ROWS + GAP + SPEED_ROWS);
  }
}
