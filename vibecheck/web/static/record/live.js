// What the owner sees while the car spins: a spectrum on a logarithmic axis, and the motor's speed
// from the car's known orders. A guide for the thumb only: the check reads the recording itself.

export const COLUMNS = 200;
const LOWEST_HZ = 40;
const HIGHEST_HZ = 20000;
const BOTTOM_DB = -118;
const TOP_DB = -28;
// Chosen on simulated recordings of five cars, against the speed that the check itself finds.
const CEILING = 5; // a single line counts for no more than this (nepers of power over its surroundings)
const MEMORY = 0.88; // share of the last picture's score that a path brings along
const STRENGTH = 1.15;
const MARGIN = 1.06; // over the best score more than a tenth away

/** Power spectrum of real samples by a radix-2 transform of half the length. */
export class Spectrum {
  constructor(n) {
    this.n = n;
    const half = n / 2;
    this.re = new Float32Array(half);
    this.im = new Float32Array(half);
    this.power = new Float32Array(half + 1);
    this.window = Float32Array.from({ length: n }, (_, k) => 0.5 - 0.5 * Math.cos((2 * Math.PI * k) / n));
    this.cos = Float32Array.from({ length: half }, (_, k) => Math.cos((2 * Math.PI * k) / n));
    this.sin = Float32Array.from({ length: half }, (_, k) => Math.sin((2 * Math.PI * k) / n));
    this.reversed = new Uint16Array(half);
    const bits = Math.log2(half);
    for (let k = 0; k < half; k += 1) {
      let r = 0;
      for (let b = 0; b < bits; b += 1) r |= ((k >> b) & 1) << (bits - 1 - b);
      this.reversed[k] = r;
    }
  }

  /** @param {Float32Array} x n samples; returns n/2+1 powers, 1 for a sine at full scale. */
  of(x) {
    const { n, re, im, cos, sin, power, window, reversed } = this;
    const half = n / 2;
    for (let k = 0; k < half; k += 1) {
      const r = reversed[k];
      re[r] = x[2 * k] * window[2 * k];
      im[r] = x[2 * k + 1] * window[2 * k + 1];
    }
    for (let size = 2; size <= half; size *= 2) {
      const step = n / size;
      for (let start = 0; start < half; start += size) {
        for (let k = 0, t = 0; k < size / 2; k += 1, t += step) {
          const a = start + k;
          const b = a + size / 2;
          const xr = re[b] * cos[t] + im[b] * sin[t];
          const xi = im[b] * cos[t] - re[b] * sin[t];
          re[b] = re[a] - xr; im[b] = im[a] - xi;
          re[a] += xr; im[a] += xi;
        }
      }
    }
    const scale = (4 / n) ** 2;
    for (let k = 0; k <= half; k += 1) {
      const a = k % half;
      const b = (half - k) % half;
      const er = 0.5 * (re[a] + re[b]);
      const ei = 0.5 * (im[a] - im[b]);
      const or = 0.5 * (im[a] + im[b]);
      const oi = 0.5 * (re[b] - re[a]);
      const c = k === half ? -1 : cos[k];
      const s = k === half ? 0 : sin[k];
      const xr = er + or * c + oi * s;
      const xi = ei + oi * c - or * s;
      power[k] = scale * (xr * xr + xi * xi);
    }
    return power;
  }
}

/** Motor speed by a comb over the car's orders, with a bounded change from one picture to the next. */
export class SpeedComb {
  /**
   * @param {number} binHz spacing of the spectrum
   * @param {number} nBins
   * @param {{ratio: number, weight: number}[]} orders of the reference shaft
   * @param {number} highestRpm of the reference shaft
   * @param {number} stepS seconds from one spectrum to the next
   */
  constructor(binHz, nBins, orders, highestRpm, stepS) {
    this.binHz = binHz;
    this.nBins = nBins;
    const top = Math.max(...orders.map((order) => order.ratio));
    const lowest = Math.max(900, highestRpm / 25);
    const ratio = 1 + Math.min(0.004, Math.max(0.0008, binHz / ((top * highestRpm * 0.5) / 60)));
    this.rpm = [];
    for (let rpm = lowest; rpm < highestRpm; rpm *= ratio) this.rpm.push(rpm);
    const n = this.rpm.length;
    this.teeth = this.rpm.map((rpm) => {
      const found = [];
      for (const order of orders) {
        const bin = (order.ratio * rpm) / 60 / binHz;
        found.push([bin >= 5 && bin < nBins - 2 ? Math.round(bin) : -1, order.weight]);
      }
      return found;
    });
    this.slew = this.rpm.map((rpm) => Math.ceil(Math.log(1 + (9000 * stepS) / rpm) / Math.log(ratio)));
    this.kept = new Float32Array(n);
    this.now = new Float32Array(n);
    this.sum = new Float64Array(nBins + 1);
    this.line = new Float32Array(nBins);
  }

  /** @param {Float32Array} power; returns the speed, or 0 where none stands out. */
  of(power) {
    const { sum, line, nBins, kept, now, teeth, slew, rpm } = this;
    for (let k = 0; k < nBins; k += 1) {
      line[k] = Math.log(power[k] + 1e-14);
      sum[k + 1] = sum[k] + line[k];
    }
    const reach = 24;
    let previous = 0;
    for (let k = 0; k < nBins; k += 1) {
      const low = Math.max(0, k - reach);
      const high = Math.min(nBins, k + reach + 1);
      const over = Math.min(CEILING, Math.max(0, line[k] - (sum[high] - sum[low]) / (high - low) - 1));
      line[k] = previous; // shifted by one: line[k + 1] now belongs to bin k
      previous = over;
    }
    const at = (bin) => Math.max(line[bin], line[bin + 1], line[bin + 2]);
    let best = 0;
    for (let i = 0; i < rpm.length; i += 1) {
      let score = 0;
      let weight = 0.5;
      for (const [bin, w] of teeth[i]) { if (bin > 0) score += w * at(bin); weight += w; }
      now[i] = score / weight;
    }
    const before = Float32Array.from(kept);
    for (let i = 0; i < rpm.length; i += 1) {
      let come = 0;
      const r = slew[i];
      const last = Math.min(rpm.length - 1, i + r);
      for (let j = Math.max(0, i - r); j <= last; j += 1) if (before[j] > come) come = before[j];
      kept[i] = now[i] + MEMORY * come;
      if (kept[i] > kept[best]) best = i;
    }
    this.strength = (1 - MEMORY) * kept[best]; // a mean of the last pictures along the path
    let rival = 0;
    for (let i = 0; i < rpm.length; i += 1) {
      if ((rpm[i] < 0.9 * rpm[best] || rpm[i] > 1.1 * rpm[best]) && kept[i] > rival) rival = kept[i];
    }
    this.margin = kept[best] / rival;
    return this.strength > STRENGTH && this.margin > MARGIN ? rpm[best] : 0;
  }
}

export class LiveView {
  /**
   * @param {number} rateHz
   * @param {{ratio: number, weight: number}[]} orders may be empty: then no speed is shown
   * @param {number} highestRpm
   */
  constructor(rateHz, orders, highestRpm) {
    const n = 2 ** Math.round(Math.log2(rateHz * 0.088));
    this.spectrum = new Spectrum(n);
    this.samples = new Float32Array(n);
    const binHz = rateHz / n;
    this.comb = orders.length ? new SpeedComb(binHz, n / 2, orders, highestRpm, 2048 / rateHz) : null;
    const high = Math.min(HIGHEST_HZ, rateHz / 2);
    const edge = (k) => (LOWEST_HZ * (high / LOWEST_HZ) ** (k / COLUMNS)) / binHz;
    this.ranges = Array.from({ length: COLUMNS }, (_, k) => {
      const first = Math.round(edge(k));
      return [first, Math.max(first + 1, Math.round(edge(k + 1)))];
    });
  }

  /** Take in new samples; returns the spectrum as 200 bytes, low tones first, and the speed. */
  push(fresh) {
    const { samples } = this;
    const n = Math.min(fresh.length, samples.length);
    samples.copyWithin(0, n);
    samples.set(fresh.subarray(fresh.length - n), samples.length - n);
    const power = this.spectrum.of(samples);
    const column = new Uint8Array(COLUMNS);
    for (let k = 0; k < COLUMNS; k += 1) {
      let most = 0;
      for (let bin = this.ranges[k][0]; bin < this.ranges[k][1]; bin += 1) {
        if (power[bin] > most) most = power[bin];
      }
      const db = 10 * Math.log10(most + 1e-14);
      column[k] = Math.max(0, Math.min(255, (255 * (db - BOTTOM_DB)) / (TOP_DB - BOTTOM_DB)));
    }
    return { column, rpm: this.comb ? this.comb.of(power) : 0 };
  }
}
