// Recordings on the phone: IndexedDB, one entry per recording and its rows in small pieces.
//
// A piece and the recording's entry are written in one transaction that asks for a flush to the
// disk, so that a kill at any moment leaves whole pieces and an entry that fits them.

const PAGE = 400;

function done(request) {
  return new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

function finished(transaction) {
  return new Promise((resolve, reject) => {
    transaction.oncomplete = () => resolve();
    transaction.onabort = () => reject(transaction.error ?? new Error("storage refused"));
  });
}

export class Store {
  static async open(name = "pullcoast") {
    const request = indexedDB.open(name, 1);
    request.onupgradeneeded = () => {
      request.result.createObjectStore("recordings", { keyPath: "id" });
      request.result.createObjectStore("pieces", { keyPath: ["id", "number"] });
    };
    return new Store(await done(request));
  }

  constructor(db) {
    this.db = db;
    db.onversionchange = () => db.close();
  }

  #begin(names, mode) {
    return this.db.transaction(names, mode, mode === "readwrite" ? { durability: "strict" } : {});
  }

  /** Put an entry, and a piece of its rows where there is one; resolves once both are stored. */
  async put(entry, piece = null) {
    const transaction = this.#begin(["recordings", "pieces"], "readwrite");
    const end = finished(transaction);
    try {
      transaction.objectStore("recordings").put(entry);
      if (piece) transaction.objectStore("pieces").add({ id: entry.id, ...piece });
    } catch (error) {
      end.catch(() => {});
      throw error;
    }
    await end;
  }

  async change(id, fields) {
    const transaction = this.#begin(["recordings"], "readwrite");
    const end = finished(transaction);
    const recordings = transaction.objectStore("recordings");
    const entry = await done(recordings.get(id));
    if (entry) recordings.put({ ...entry, ...fields });
    await end;
  }

  get(id) {
    return done(this.#begin(["recordings"], "readonly").objectStore("recordings").get(id));
  }

  /** All entries, newest first. */
  async list() {
    const all = await done(this.#begin(["recordings"], "readonly").objectStore("recordings").getAll());
    return all.sort((a, b) => b.started_ms - a.started_ms);
  }

  async remove(id) {
    const transaction = this.#begin(["recordings", "pieces"], "readwrite");
    const end = finished(transaction);
    transaction.objectStore("recordings").delete(id);
    transaction.objectStore("pieces").delete(IDBKeyRange.bound([id, 0], [id, Infinity]));
    await end;
  }

  /** The texts of a recording's pieces in order, some hundred at a time. */
  async *texts(id) {
    let from = [id, 0];
    for (let open = false; ; open = true) {
      const range = IDBKeyRange.bound(from, [id, Infinity], open);
      const pieces = this.#begin(["pieces"], "readonly").objectStore("pieces");
      const some = await done(pieces.getAll(range, PAGE));
      for (const piece of some) yield piece.text;
      if (some.length < PAGE) return;
      from = [id, some.at(-1).number];
    }
  }
}
