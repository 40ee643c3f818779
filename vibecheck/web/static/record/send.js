// Sends a recording piece by piece and goes on where it stopped: after a dead network, a lost
// answer, a reload, or a restart of the server.

const FIRST_WAIT_MS = 400;
const LONGEST_WAIT_MS = 8000;

/** An answer that no repetition will change. */
export class Refused extends Error {
  constructor(status, message, advice) {
    super(message);
    this.status = status;
    this.advice = advice;
  }
}

export async function ask(method, url, body) {
  const answer = await fetch(url, {
    method,
    headers: { accept: "application/json", ...(body === undefined ? {} : { "content-type": "application/json" }) },
    body: body === undefined ? undefined : JSON.stringify(body),
    cache: "no-store",
    credentials: "same-origin",
  });
  if (answer.ok) return answer.status === 204 ? {} : answer.json();
  throw await refusal(answer);
}

async function refusal(answer) {
  let said = {};
  try { said = (await answer.json()).error || {}; } catch { /* no JSON: a word of our own */ }
  return new Refused(
    answer.status,
    said.message || `The computer answered ${answer.status}.`,
    said.advice || (answer.status === 401 || answer.status === 403 ? "Pair this phone with the computer again." : ""),
  );
}

const passes = (error) => !(error instanceof Refused) || error.status >= 500 || error.status === 429;

export class Sender {
  /**
   * @param {object} source
   *   wish: what POST /uploads takes; have(): bytes that are there by now; ended(): no more will
   *   come; bytes(from, to): them, as a Blob or bytes; sha256(): of the whole, once ended.
   * @param {(news: object) => void} tell
   */
  constructor(source, tell, least = 98304) {
    this.source = source;
    this.tell = tell;
    this.least = least; // while a recording goes on, wait for so many bytes
    this.offset = 0;
    this.id = null;
    this.wait = FIRST_WAIT_MS;
    this.stopped = false;
    this.wake = () => {};
  }

  /** The network is back, or new bytes are there. */
  poke() {
    this.wait = FIRST_WAIT_MS;
    this.wake();
  }

  stop() {
    this.stopped = true;
    this.cut?.abort();
    this.wake();
  }

  pause(ms) {
    return new Promise((resolve) => {
      const timer = setTimeout(resolve, ms);
      this.wake = () => { clearTimeout(timer); resolve(); };
    });
  }

  /** Repeat until it works; what the server refuses for good is thrown. */
  async insist(step) {
    while (!this.stopped) {
      try {
        const value = await step();
        if (this.troubled) this.tell({ waiting: false });
        this.troubled = false;
        this.wait = FIRST_WAIT_MS;
        return value;
      } catch (error) {
        if (this.stopped) break;
        if (!passes(error)) throw error;
        this.troubled = true;
        this.tell({ waiting: true, message: error instanceof Refused ? error.message : "" });
        await this.pause(this.wait * (0.75 + 0.5 * Math.random()));
        this.wait = Math.min(LONGEST_WAIT_MS, this.wait * 2);
      }
    }
    throw new DOMException("Stopped.", "AbortError");
  }

  async begin() {
    const state = await this.insist(() => ask("POST", "/uploads", this.source.wish));
    this.id = state.id;
    this.offset = state.offset;
    this.pieceBytes = state.piece_bytes;
    return state;
  }

  /** Send all; returns the id of the finished upload. */
  async run() {
    let state = await this.begin();
    let again = 0;
    while (!this.stopped && state.phase === "receiving") {
      const { source } = this;
      const ended = source.ended();
      const waiting = source.have() - this.offset;
      if (waiting > 0 && (ended || waiting >= this.least)) {
        await this.insist(() => this.piece());
        continue;
      }
      if (!ended) { await this.pause(1000); continue; }
      const sha256 = await source.sha256();
      try {
        state = await this.insist(() =>
          ask("POST", `/uploads/${this.id}/finish`, { size: source.have(), sha256, ...(source.claims ? { capture: source.claims() } : {}) }));
      } catch (error) {
        if (!(error instanceof Refused) || ![404, 409, 422].includes(error.status) || again >= 2) throw error;
        // 422 may also say that the file is none that can be read: then the upload is gone, and
        // sending it once more would not change that.
        again += 1;
        const now = await this.reached();
        if (now === null && error.status === 422) throw error;
        if (now === null) state = await this.begin();
        else this.offset = now;
      }
    }
    if (this.stopped) throw new DOMException("Stopped.", "AbortError");
    return { id: this.id, phase: state.phase, where: state.where };
  }

  async piece() {
    const { source } = this;
    const to = Math.min(source.have(), this.offset + this.pieceBytes);
    this.cut = new AbortController();
    const limit = setTimeout(() => this.cut.abort(), 30000); // a network that hangs is a dead one
    let answer;
    try {
      answer = await fetch(`/uploads/${this.id}`, {
        method: "PATCH",
        headers: {
          accept: "application/json",
          "content-type": "application/octet-stream",
          "upload-offset": String(this.offset),
        },
        body: await source.bytes(this.offset, to),
        credentials: "same-origin",
        signal: this.cut.signal,
      });
    } catch (error) {
      if (!this.stopped) this.lost = true;
      throw error;
    } finally {
      clearTimeout(limit);
    }
    if (answer.ok || (answer.status === 409 && answer.headers.has("upload-offset"))) {
      this.offset = Number(answer.headers.get("upload-offset"));
      if (this.offset > source.have()) throw new Refused(409, "The computer has more than was sent.", "Record again.");
      this.tell({ sent: this.offset, have: source.have(), ended: source.ended() });
      return;
    }
    if (answer.status === 404) { await this.begin(); return; }
    throw await refusal(answer);
  }

  /** How far the server is; null where it no longer knows of it. */
  reached() {
    return this.insist(async () => {
      const answer = await fetch(`/uploads/${this.id}`, { method: "HEAD", cache: "no-store", credentials: "same-origin" });
      if (answer.status === 404) return null;
      if (!answer.ok) throw await refusal(answer);
      return Number(answer.headers.get("upload-offset"));
    });
  }
}
