// SHA-256 that takes its bytes piece by piece (FIPS 180-4), so that a recording is hashed while it
// is being made and a big file needs no memory. The browser's own digest wants the whole at once.

const K = new Uint32Array(64);
{
  // The first 32 bits of the fractional parts of the cube roots of the first 64 primes.
  let found = 0;
  for (let n = 2; found < 64; n += 1) {
    let prime = true;
    for (let d = 2; d * d <= n; d += 1) if (n % d === 0) { prime = false; break; }
    if (prime) { const root = Math.cbrt(n); K[found] = (root - Math.floor(root)) * 2 ** 32; found += 1; }
  }
}

export class Sha256 {
  constructor() {
    this.h = new Int32Array([
      0x6a09e667, 0xbb67ae85, 0x3c6ef372, 0xa54ff53a, 0x510e527f, 0x9b05688c, 0x1f83d9ab, 0x5be0cd19,
    ]);
    this.w = new Int32Array(64);
    this.rest = new Uint8Array(64);
    this.nRest = 0;
    this.length = 0;
  }

  /** @param {Uint8Array} bytes */
  update(bytes) {
    this.length += bytes.length;
    let at = 0;
    if (this.nRest > 0) {
      const n = Math.min(64 - this.nRest, bytes.length);
      this.rest.set(bytes.subarray(0, n), this.nRest);
      this.nRest += n;
      at = n;
      if (this.nRest < 64) return this;
      this.block(this.rest, 0);
      this.nRest = 0;
    }
    for (; at + 64 <= bytes.length; at += 64) this.block(bytes, at);
    this.rest.set(bytes.subarray(at));
    this.nRest = bytes.length - at;
    return this;
  }

  /** Hexadecimal digits of all that was taken in; nothing may follow. */
  hex() {
    const bits = this.length * 8;
    const end = new Uint8Array((this.nRest < 56 ? 64 : 128) - this.nRest);
    end[0] = 0x80;
    const view = new DataView(end.buffer);
    view.setUint32(end.length - 8, Math.floor(bits / 2 ** 32));
    view.setUint32(end.length - 4, bits >>> 0);
    this.update(end);
    return Array.from(this.h, (word) => (word >>> 0).toString(16).padStart(8, "0")).join("");
  }

  block(bytes, at) {
    const { h, w } = this;
    for (let t = 0; t < 16; t += 1, at += 4) {
      w[t] = (bytes[at] << 24) | (bytes[at + 1] << 16) | (bytes[at + 2] << 8) | bytes[at + 3];
    }
    for (let t = 16; t < 64; t += 1) {
      const a = w[t - 15];
      const b = w[t - 2];
      const s0 = ((a >>> 7) | (a << 25)) ^ ((a >>> 18) | (a << 14)) ^ (a >>> 3);
      const s1 = ((b >>> 17) | (b << 15)) ^ ((b >>> 19) | (b << 13)) ^ (b >>> 10);
      w[t] = (w[t - 16] + s0 + w[t - 7] + s1) | 0;
    }
    let [a, b, c, d, e, f, g, i] = h;
    for (let t = 0; t < 64; t += 1) {
      const s1 = ((e >>> 6) | (e << 26)) ^ ((e >>> 11) | (e << 21)) ^ ((e >>> 25) | (e << 7));
      const t1 = (i + s1 + ((e & f) ^ (~e & g)) + K[t] + w[t]) | 0;
      const s0 = ((a >>> 2) | (a << 30)) ^ ((a >>> 13) | (a << 19)) ^ ((a >>> 22) | (a << 10));
      const t2 = (s0 + ((a & b) ^ (a & c) ^ (b & c))) | 0;
      i = g; g = f; f = e; e = (d + t1) | 0; d = c; c = b; b = a; a = (t1 + t2) | 0;
    }
    h[0] += a; h[1] += b; h[2] += c; h[3] += d; h[4] += e; h[5] += f; h[6] += g; h[7] += i;
  }
}
