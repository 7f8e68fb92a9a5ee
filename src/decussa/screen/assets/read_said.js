// What the rater says: shown at once, kept in the queue of the window, sent until the server has written it.

export const saying = {
  judge(verdict) {
    this.settle();
    this.say('verdict', verdict);
    this.show();
  },
  explain() {
    const fact = this.fact();
    this.$refs.reason.blur();
    if (fact.verdict !== 'accept') this.say('verdict', fact.verdict, this.$refs.reason.value.trim());
    this.show();
  },
  say(what, value, reason, id) {
    const one = { ref: `${Date.now()}-${Math.random()}`, id: id || this.fact().id, what, new: value, reason: reason || '' };
    this.queue.push(one);
    this.lay(one);
    this.keep();
    this.pump();
  },
  // Show at once what was said; the server's own word follows.
  lay(one) {
    const at = this.place.get(one.id), fact = this.facts[at];
    if (!fact || one.what === 'undo') return;
    fact.seen = true;
    if (one.what === 'verdict') { fact.verdict = one.new; fact.reason = one.reason; }
    else if (one.what !== 'seen') fact.marks[one.what] = one.new === null ? NaN : one.new;
    if (one.what !== 'seen' && !fact.changed.includes(one.what)) fact.changed = [...fact.changed, one.what];
    if (one.what === 'verdict' || this.filter.show) this.stale(fact);
    if (this.cells) this.drawCell(at);
  },
  stale(fact) {
    if (this.filter.show) { this.groups.clear(); return; }
    const group = this.groupOf(fact);
    group.name = '';
    group.scale = null;
  },
  keep() {
    const draft = this.draft ? [{ ref: `draft-${this.draft.id}-${this.draft.what}`, reason: '', ...this.draft }] : [];
    sessionStorage.setItem(this.store, JSON.stringify([...this.queue, ...draft]));
  },
  restore() {
    try { return JSON.parse(sessionStorage.getItem(this.store)) || []; } catch { return []; }
  },
  pump(again) {
    if (!this.queue.length || (this.inFlight === this.queue[0].ref && !again)) return;
    this.inFlight = this.queue[0].ref;
    this.$emit('say', this.queue.slice(0, 40));
  },
  undo() {
    this.settle();
    this.queue.push({ ref: `${Date.now()}-${Math.random()}`, id: '', what: 'undo', new: '', reason: '' });
    this.keep();
    this.pump();
  },
  // Called by the server: what was sent is on disk, or was refused; what could not be written now is sent again by the timer.
  answered(answers) {
    let undone = null;
    for (const { ref, fact, problem, kept } of answers) {
      if (problem) this.complain(problem);
      if (kept) continue;
      const one = this.queue[0];
      if (!one || one.ref !== ref) continue;
      this.queue.shift();
      if (one.what === 'undo' && fact) undone = fact;
      if (fact) this.hear(fact, true);
    }
    if (!answers.some((answer) => answer.kept)) this.inFlight = '';
    this.keep();
    if (undone && this.place.get(undone.id) !== undefined) this.at = this.place.get(undone.id);
    this.show();
    if (!this.inFlight) this.pump();
  },
  // Called by the server: how a sweep stands now, whoever changed it.
  hear(fact, quiet) {
    const at = this.place.get(fact.id);
    if (at === undefined) return;
    if (this.queue.some((one) => one.id === fact.id) || (this.draft && this.draft.id === fact.id)) return;
    const judged = this.facts[at].verdict !== fact.verdict;
    this.facts[at] = fact;
    if (judged || this.filter.show) this.stale(fact);
    this.drawCell(at);
    if (!quiet) this.show();
  },
};
