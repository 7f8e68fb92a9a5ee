// Marks that are taken, moved by key or pointer, and let go.
import { known, FLAGGED } from '/assets/read_text.js';

export const marking = {
  take(name) {
    this.settle();
    const fact = this.fact();
    this.taken = this.taken === name && name === 'window_start_ms' ? 'window_end_ms' : this.taken === name ? '' : name;
    if (this.taken && !known(fact.marks[this.taken])) {
      // A mark that was not proposed begins where one would look for it.
      const guess = { onset_ms: fact.marks.window_start_ms, end_ms: (fact.marks.onset_ms || fact.marks.window_start_ms) + 10, silent_end_ms: 100 };
      this.shift(guess[this.taken]);
    }
    this.show();
  },
  shift(t) {
    const fact = this.fact(), { marks } = fact;
    let to = Math.min(Math.max(t, this.start), this.end);
    if (this.taken === 'window_start_ms') to = Math.min(to, marks.window_end_ms - 1);
    if (this.taken === 'window_end_ms') to = Math.max(to, marks.window_start_ms + 1);
    to = Math.round(to * 10) / 10;
    if (!fact.changed.includes(this.taken)) fact.changed = [...fact.changed, this.taken];
    marks[this.taken] = to;
    this.draft = { id: fact.id, what: this.taken, new: to };
    this.keep();
    clearTimeout(this.settling);
    this.settling = setTimeout(() => this.settle(), 700);
  },
  settle() {
    clearTimeout(this.settling);
    const draft = this.draft;
    this.draft = null;
    if (draft) this.say(draft.what, draft.new, '', draft.id);
  },
  nothingThere() {
    if (!FLAGGED.includes(this.taken)) return;
    clearTimeout(this.settling);
    this.draft = null;
    this.say(this.taken, null);
    this.taken = '';
    this.show();
  },
  spot(event) {
    const area = this.$refs.stage.getBoundingClientRect();
    const x = event.clientX - area.left, y = event.clientY - area.top;
    const near = (this.spots || []).filter((spot) => Math.abs(spot.x - x) <= (spot.half || 9) && y >= spot.low && y <= (spot.high || 1e9));
    near.sort((a, b) => b.low - a.low || Math.abs(a.x - x) - Math.abs(b.x - x));
    return { x, near: near[0] };
  },
  grab(event) {
    const { x, near } = this.spot(event);
    if (!near) return;
    if (this.taken !== near.name) { this.settle(); this.taken = near.name; }
    this.dragging = this.tx(this.fact().marks[near.name]) - x;
    this.$refs.stage.setPointerCapture(event.pointerId);
    event.preventDefault();
    this.show();
  },
  drag(event) {
    const { x, near } = this.spot(event);
    if (this.dragging === undefined) { this.$refs.stage.style.cursor = near ? 'ew-resize' : ''; return; }
    this.shift(this.invert(x + this.dragging));
    clearTimeout(this.settling);
    this.showFacts(this.fact());
    this.draw();
  },
  drop() {
    if (this.dragging === undefined) return;
    this.dragging = undefined;
    this.settle();
    this.show();
  },
};
