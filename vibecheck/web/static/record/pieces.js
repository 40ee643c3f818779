// Recordings that are not kept yet, in the browser's own database: a reload, a crash or a dead
// network loses nothing that was written here.

const NAME = "vibecheck-recordings";

const done = (request) =>
  new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });

export class Pieces {
  static async open() {
    const request = indexedDB.open(NAME, 1);
    request.onupgradeneeded = () => {
      request.result.createObjectStore("takes", { keyPath: "key" });
      request.result.createObjectStore("pieces");
    };
    const pieces = new Pieces();
    pieces.base = await done(request);
    pieces.base.onversionchange = () => pieces.base.close();
    return pieces;
  }

  stores(...names) {
    const move = this.base.transaction(names, "readwrite", { durability: "relaxed" });
    return names.map((name) => move.objectStore(name));
  }

  /** What is known of a take: `key`, the wish that the server gets, and how far it is. */
  async put(take) {
    await done(this.stores("takes")[0].put(take));
  }

  async add(key, index, bytes) {
    await done(this.stores("pieces")[0].put(bytes, [key, index]));
  }

  async takes() {
    return done(this.stores("takes")[0].getAll());
  }

  /** The bytes of a take, piece by piece, as far as no piece is missing. */
  async of(key) {
    const range = IDBKeyRange.bound([key, 0], [key, Infinity]);
    const [store] = this.stores("pieces");
    const [keys, values] = await Promise.all([done(store.getAllKeys(range)), done(store.getAll(range))]);
    const whole = [];
    for (let k = 0; k < keys.length && keys[k][1] === k; k += 1) whole.push(values[k]);
    return whole;
  }

  async drop(key) {
    const [takes, pieces] = this.stores("takes", "pieces");
    takes.delete(key);
    await done(pieces.delete(IDBKeyRange.bound([key, 0], [key, Infinity])));
  }
}
