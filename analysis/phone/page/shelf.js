// Results, and files that were opened: a store of their own beside that of the recordings.

const MOST_RESULTS = 5;

function done(request) {
  return new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

export class Shelf {
  static async open() {
    const request = indexedDB.open("pullcoast-results", 1);
    request.onupgradeneeded = () => {
      request.result.createObjectStore("results", { keyPath: "made_ms" });
      request.result.createObjectStore("opened", { keyPath: "name" });
    };
    return new Shelf(await done(request));
  }

  constructor(db) {
    this.db = db;
    db.onversionchange = () => db.close();
  }

  #in(name, mode = "readonly") {
    return this.db.transaction(name, mode).objectStore(name);
  }

  /** Keep a result; the oldest go. */
  async keep(result) {
    await done(this.#in("results", "readwrite").put(result));
    const keys = await done(this.#in("results").getAllKeys());
    for (const key of keys.slice(0, -MOST_RESULTS)) await done(this.#in("results", "readwrite").delete(key));
  }

  /** Newest first. */
  async results() {
    return (await done(this.#in("results").getAll())).reverse();
  }

  add(name, data) {
    return done(this.#in("opened", "readwrite").put({ name, data }));
  }

  drop(name) {
    return done(this.#in("opened", "readwrite").delete(name));
  }

  opened() {
    return done(this.#in("opened").getAll());
  }
}
