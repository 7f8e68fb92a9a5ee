// What stands around the drawing: filters, the list of sweeps, values, verdicts, counts.
import { known, escaped, num, msText, uvText, sign, VERDICTS, TAKES, FLAGGED, HIDDEN } from '/assets/read_text.js';

export const panel = {
  buildFilters() {
    const { words } = this;
    const select = (name, label, options) => `<label>${escaped(label)}<select data-filter="${name}">${options
      .map(([value, said]) => `<option value="${escaped(value)}">${escaped(said)}</option>`).join('')}</select></label>`;
    let html = '';
    if (words.muscles.length > 1) html += select('muscle', words.muscle, words.muscles.map((name) => [name, name]));
    if (!this.blind) {
      const names = [...new Set(this.facts.map((fact) => fact.condition))];
      html += select('condition', words.condition, [['', words.every], ...names.map((name) => [name, name])]);
    }
    html += select('show', words.show, Object.entries(words.shows));
    this.$refs.filters.innerHTML = html;
    for (const box of this.$refs.filters.querySelectorAll('select')) {
      if (box.dataset.filter === 'muscle') box.value = words.muscleNow;
      box.addEventListener('change', () => {
        if (box.dataset.filter === 'muscle') { this.leave(this.links.muscles[box.value]); return; }
        this.filter[box.dataset.filter] = box.value;
        box.blur();
        this.groups.clear();
        this.facts.forEach((_, at) => this.drawCell(at));
        if (!this.chosen(this.fact())) this.find(1, (fact) => this.chosen(fact)) || this.find(-1, (fact) => this.chosen(fact));
        this.show();
      });
    }
  },
  buildCells() {
    this.$refs.cells.innerHTML = this.facts.map((_, at) => `<i class="c" data-at="${at}"></i>`).join('');
    this.cells = [...this.$refs.cells.children];
    this.facts.forEach((_, at) => this.drawCell(at));
  },
  drawCell(at) {
    const fact = this.facts[at], kind = (fact.seen ? '' : 'unseen') + fact.verdict;
    const name = `${kind}${this.chosen(fact)}${fact.changed.length > 0}`;
    if (this.cells[at].dataset.kind === name) return;
    this.cells[at].dataset.kind = name;
    this.cells[at].className = `c ${this.chosen(fact) ? '' : 'out'} ${fact.changed.length ? 'own' : ''} ${at === this.at ? 'cur' : ''}`;
    this.cells[at].innerHTML = sign(kind, 15);
  },
  buildLegend() {
    const { words } = this, stroke = (kind) => `<svg width="30" height="8" aria-hidden="true"><path class="${kind}" d="M0 4H30"/></svg>`;
    this.$refs.legend.innerHTML = [
      [stroke('hot'), words.this], [stroke('bg full'), words.verdicts.accept], [stroke('bgd full'), words.verdicts.doubtful],
      [stroke('bgr full'), words.verdicts.reject],
      ['<svg width="22" height="12" aria-hidden="true"><rect class="hat" width="22" height="12"/></svg>', words.blank],
    ].map(([drawn, said]) => `<span>${drawn}${escaped(said)}</span>`).join('');
  },
  show() {
    const fact = this.fact(), { words } = this;
    this.draw();
    this.mark();
    const seen = this.facts.filter((one) => one.seen).length;
    this.$refs.count.textContent = words.counted.replace('{seen}', seen).replace('{all}', this.facts.length);
    const name = this.blind ? this.at + 1 : fact.number;
    this.$refs.title.innerHTML = `${escaped(words.sweep)} ${name}` + (this.blind ? '' : ` <small>${escaped(this.conditionWords(fact))}</small>`);
    const taken = this.taken ? words.taken.replace('{mark}', words.marks[this.taken]) : words.untaken;
    if (this.hinted !== taken) { this.hinted = taken; this.$refs.hint.innerHTML = taken.replace(/\[(.+?)\]/g, (_, cap) => `<kbd>${escaped(cap)}</kbd>`); }
    this.drawCell(this.at);
    this.showFacts(fact);
    this.showTally();
    this.$refs.stage.setAttribute('aria-label', this.spoken(fact));
    clearTimeout(this.speaking);
    this.speaking = setTimeout(() => { this.$refs.said.textContent = this.spoken(this.fact()); }, 350);
  },
  // Mark the sweep in hand in the list. What has to be asked of the page is asked before anything in it is changed.
  mark() {
    if (this.current === this.at) return;
    const cell = this.cells[this.at], list = this.$refs.cells;
    const outside = cell.offsetTop < list.scrollTop || cell.offsetTop + cell.offsetHeight > list.scrollTop + list.clientHeight;
    if (outside) list.scrollTop = cell.offsetTop - list.clientHeight / 2;
    if (this.cells[this.current]) this.cells[this.current].classList.remove('cur');
    this.current = this.at;
    cell.classList.add('cur');
    sessionStorage.setItem(`${this.store} at`, this.fact().id);
  },
  conditionWords(fact) {
    const parts = [fact.condition];
    if (known(fact.setting.mso)) parts.push(`${num(fact.setting.mso, 0)}\u202f% MSO`);
    if (known(fact.setting.ma)) parts.push(`${num(fact.setting.ma, 1)}\u202fmA`);
    if (known(fact.isi)) parts.push(`${num(fact.isi, fact.isi % 1 ? 1 : 0)}\u202fms`);
    return parts.join(', ');
  },
  spoken(fact) {
    const { words } = this;
    const size = this.blind ? '' : `, ${words.size} ${uvText(fact.sizes.amplitude_uv)}`;
    const marks = FLAGGED.filter((name) => known(fact.marks[name])).map((name) => `, ${words.marks[name]} ${msText(fact.marks[name])}`).join('');
    return `${words.sweep} ${this.blind ? this.at + 1 : fact.number}, ${words.verdicts[fact.verdict]}${fact.reason ? ` (${fact.reason})` : ''}${fact.seen ? '' : `, ${words.unseen}`}${size}${marks}`;
  },
  showFacts(fact) {
    const { words } = this, rows = [];
    if (this.blind) rows.push([words.size, HIDDEN(words.hidden), '']);
    else {
      const { amplitude_uv: raw, size_low_uv: low, size_high_uv: high } = fact.sizes;
      rows.push([words.size, uvText(raw), known(low) && known(high) ? `${escaped(words.corrected)} [${uvText(low)}, ${uvText(high)}]` : '']);
    }
    for (const name of FLAGGED) {
      const now = fact.marks[name], proposed = fact.proposed[name];
      if (!known(now) && !known(proposed) && name === 'silent_end_ms') continue;
      let under = fact.changed.includes(name) ? `${escaped(words.proposed)} ${msText(proposed)}` : escaped(words.asProposed);
      const [low, high] = name === 'onset_ms' ? [fact.values.latency_low_ms, fact.values.latency_high_ms] : name === 'silent_end_ms' ? [fact.values.silent_low_ms, fact.values.silent_high_ms] : [];
      if (!fact.changed.includes(name) && known(low) && known(high)) under += ` <span class="nb">[${num(low, 1)}, ${num(high, 1)}]</span>`;
      if (!known(now) && !known(proposed)) under = escaped(words.none);
      const cap = Object.keys(TAKES).find((key) => TAKES[key] === name);
      rows.push([`${escaped(words.markNames[name])} <kbd>${cap}</kbd>`, msText(now), under, true]);
    }
    const { window_start_ms: from, window_end_ms: to } = fact.marks;
    const moved = fact.changed.some((name) => name.startsWith('window'));
    rows.push([`${escaped(words.window)} <kbd>W</kbd>`, `${num(from, from % 1 ? 1 : 0)}\u2013${num(to, to % 1 ? 1 : 0)}\u202fms`, moved ? `${escaped(words.proposed)} ${num(fact.proposed.window_start_ms, 0)}\u2013${num(fact.proposed.window_end_ms, 0)}` : '', true]);
    rows.push([words.background, uvText(fact.values.background_rms_uv), known(fact.limit) ? `${escaped(words.limit)} ${num(fact.limit, 0)}\u202f\u00b5V` : escaped(words.active)]);
    if (this.blind) rows.push([words.condition, HIDDEN(words.hidden), '']);
    if (words.others) rows.push([words.others, this.blind ? HIDDEN(words.hidden) : escaped((fact.others || []).join(', ')), this.blind || (fact.others || []).length ? '' : escaped(words.notSeen)]);
    this.$refs.facts.innerHTML = rows.map(([name, value, under, ready]) => `<div><dt>${ready ? name : escaped(name)}</dt><dd>${value}${under ? ` <small>${under}</small>` : ''}</dd></div>`).join('');
    this.$refs.verdicts.innerHTML = VERDICTS.map((kind, i) => `<button type="button" class="btn ${kind === fact.verdict ? 'on' : ''}" aria-pressed="${kind === fact.verdict}" data-verdict="${kind}"><span class="say ${kind}">${sign(kind, 18)}<span>${escaped(words.verdicts[kind])}</span></span><kbd>${i + 1}</kbd></button>`).join('');
    if (document.activeElement !== this.$refs.reason) this.$refs.reason.value = fact.verdict === 'accept' ? '' : fact.reason || '';
    this.$refs.form.classList.toggle('idle', fact.verdict === 'accept');
  },
  showTally() {
    const counts = { accept: 0, doubtful: 0, reject: 0, unseen: 0 };
    for (const fact of this.facts) counts[fact.seen ? fact.verdict : 'unseen']++;
    const row = (kind, shape, words) => `<div><span class="say ${kind}">${sign(shape, 16)}<span>${escaped(words)}</span></span><b>${counts[kind]}</b></div>`;
    this.$refs.tally.innerHTML = VERDICTS.map((kind) => row(kind, kind, this.words.verdicts[kind])).join('') + row('unseen', 'unseenaccept', this.words.unseen);
    this.$refs.pending.textContent = this.queue.length ? this.words.unwritten.replace('{n}', this.queue.length) : '';
  },
  complain(words) {
    this.$refs.problem.textContent = words;
    this.$refs.problem.hidden = !words;
  },
};
