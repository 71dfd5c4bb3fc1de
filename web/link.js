// The stream of views, kept alive, and the true age of what it last brought.
//
// An open connection proves nothing: a stopped program leaves it open. Only the age of the newest reading counts: the age
// that the message carried plus the time since it came in, by this page's steady clock.

const TICK_MS = 100;
const SILENT_MS = 5000;
const ASLEEP_MS = 3000;
const LONGEST_WAIT_MS = 15000;

/** Opens the stream and keeps it open; calls `onView(view)` for each message and `onTick(state)` ten times a second. */
export class Link {
  #onView;
  #onTick;
  #source = null;
  #view = null;
  #cameAt = 0;
  #heardAt = performance.now();
  #tickedAt = Date.now();
  #failures = 0;
  #retry = 0;

  constructor(onView, onTick) {
    this.#onView = onView;
    this.#onTick = onTick;
  }

  start() {
    document.addEventListener("visibilitychange", () => (document.hidden ? this.#close() : this.#wake()));
    addEventListener("pageshow", (event) => event.persisted && this.#wake());
    addEventListener("online", () => this.#wake());
    setInterval(() => this.#tick(), TICK_MS);
    this.#open();
  }

  /** What may be believed now: the age of the newest reading, and whether it is too old. */
  state() {
    const silent = (performance.now() - this.#heardAt) / 1000;
    if (!this.#view) return { fresh: false, heard: false, age: silent, silent };
    const later = (performance.now() - this.#cameAt) / 1000;
    const carried = this.#view.age_s;
    const age = carried === null ? null : carried + later;
    const limit = this.#view.stale_after_s;
    return { fresh: (age ?? later) <= limit, heard: later <= limit, age, silent: later };
  }

  #open() {
    clearTimeout(this.#retry);
    this.#close();
    if (document.hidden) return;
    this.#heardAt = performance.now();
    const source = new EventSource("/api/v1/stream");
    source.onmessage = (event) => this.#take(JSON.parse(event.data));
    source.onerror = () => source.readyState === EventSource.CLOSED && this.#again();
    this.#source = source;
  }

  #close() {
    this.#source?.close();
    this.#source = null;
  }

  /** Opens again after 1, 2, 4 … 15 seconds, a little scattered so that a shop's screens do not all come at once. */
  #again() {
    this.#close();
    clearTimeout(this.#retry);
    const wait = Math.min(1000 * 2 ** this.#failures, LONGEST_WAIT_MS);
    this.#failures += 1;
    this.#retry = setTimeout(() => this.#open(), wait * (0.8 + 0.4 * Math.random()));
  }

  /** After sleep or hiding, what is on the glass is old until a new message comes. */
  #wake() {
    this.#view = null;
    this.#failures = 0;
    this.#open();
    this.#onTick(this.state());
  }

  #take(view) {
    this.#failures = 0;
    this.#heardAt = this.#cameAt = performance.now();
    this.#view = view;
    this.#onView(view);
  }

  #tick() {
    const now = Date.now();
    const slept = Math.abs(now - this.#tickedAt) > ASLEEP_MS && !document.hidden;
    this.#tickedAt = now;
    if (slept) this.#wake();
    else if (this.#source && performance.now() - this.#heardAt > SILENT_MS) this.#again();
    this.#onTick(this.state());
  }
}
