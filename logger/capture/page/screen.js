// Keeps the screen on while the page is seen, as far as the phone allows.

export class ScreenLock {
  state = "unasked"; // unasked, held, refused, missing
  onLost = () => {};
  #lock = null;
  #wanted = false;

  async hold() {
    this.#wanted = true;
    if (!navigator.wakeLock) {
      this.state = "missing";
      return;
    }
    if (this.#lock && !this.#lock.released) return;
    try {
      const lock = await navigator.wakeLock.request("screen");
      this.#lock = lock;
      this.state = "held";
      lock.addEventListener("release", () => {
        if (this.#lock !== lock) return;
        this.#lock = null;
        this.state = "refused";
        if (this.#wanted) this.onLost();
      });
    } catch {
      this.state = "refused";
    }
  }
}
