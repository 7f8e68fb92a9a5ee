// The review of one muscle: all sweeps drawn as an overlay, one bright, stepped, judged and marked by key or pointer.
// No dependencies. The sweeps come as one block of bytes; stepping asks nobody. What a rater says is kept in a queue of the
// window until the server has written it, so that neither a reload nor a restart of the program loses it.
import { drawing } from '/assets/read_draw.js';
import { marking } from '/assets/read_marks.js';
import { panel } from '/assets/read_panel.js';
import { saying } from '/assets/read_said.js';
import { known, VERDICTS, TAKES } from '/assets/read_text.js';

export default {
  template: `<div class="rev">
    <section class="plate list"><div class="head"><h2>{{ words.sweeps }}</h2><span class="note" ref="count"></span></div>
      <div class="filters" ref="filters"></div><div class="cells" ref="cells" role="group" tabindex="0" :aria-label="words.strip"></div><div class="tally" ref="tally"></div></section>
    <section class="plate main"><div class="head"><h2 ref="title"></h2><span class="note hint" ref="hint"></span></div>
      <div class="stage" ref="stage" role="img" aria-label=""><canvas aria-hidden="true" ref="canvas"></canvas></div>
      <div class="legend" ref="legend"></div><p class="mindbar" ref="problem" role="alert" hidden></p></section>
    <section class="plate side"><div class="head"><h2>{{ words.yours }}</h2><span class="note" ref="pending" role="status"></span></div>
      <dl ref="facts"></dl><div class="verd" ref="verdicts"></div>
      <form class="reason" ref="form"><label :for="'why' + uid">{{ words.reason }} <kbd>N</kbd></label>
        <input :id="'why' + uid" ref="reason" list="reasons" maxlength="200" autocomplete="off"></form>
      <div class="help" ref="help" hidden><h3>{{ words.allKeys }}</h3><table><tbody><tr v-for="one in words.keys"><th scope="row"><kbd v-for="cap in one[0]">{{ cap }}</kbd></th><td>{{ one[1] }}</td></tr></tbody></table></div>
      <datalist id="reasons"><option v-for="one in words.reasons" :value="one"></option></datalist></section>
    <p class="vh" role="status" aria-live="polite" ref="said"></p></div>`,
  props: { url: String, words: Object, links: Object, store: String, blind: Boolean, uid: Number },
  async mounted() {
    this.facts = [];
    this.groups = new Map();
    this.at = 0;
    this.taken = '';
    this.gain = 1;
    this.whole = false;
    this.filter = { condition: '', show: '' };
    this.inFlight = '';
    this.queue = this.restore();
    this.onKey = (event) => this.key(event);
    addEventListener('keydown', this.onKey);
    const stage = this.$refs.stage;
    stage.addEventListener('pointerdown', (event) => this.grab(event));
    stage.addEventListener('pointermove', (event) => this.drag(event));
    stage.addEventListener('pointerup', () => this.drop());
    stage.addEventListener('pointercancel', () => this.drop());
    this.$refs.cells.addEventListener('click', (event) => {
      const cell = event.target.closest('[data-at]');
      if (cell) this.go(Number(cell.dataset.at));
    });
    this.$refs.verdicts.addEventListener('click', (event) => {
      const press = event.target.closest('[data-verdict]');
      if (press) { this.judge(press.dataset.verdict); if (event.detail > 0) press.blur(); }
    });
    this.$refs.form.addEventListener('submit', (event) => { event.preventDefault(); this.explain(); });
    this.size = new ResizeObserver(([{ contentRect: now }]) => {
      const was = this.measured;
      if (!was || Math.round(now.width) !== was.w || Math.round(now.height) !== was.h) this.fresh();
    });
    this.theme = matchMedia('(prefers-color-scheme: dark)');
    this.onTheme = () => this.fresh();
    this.theme.addEventListener('change', this.onTheme);
    this.again = setInterval(() => this.pump(true), 4000);
    this.onPress = (event) => {
      const press = event.target.closest('[data-read]');
      if (press) { this.act(press.dataset.read); if (event.detail > 0) press.blur(); }
    };
    document.addEventListener('click', this.onPress);
    await this.load();
  },
  unmounted() {
    removeEventListener('keydown', this.onKey);
    document.removeEventListener('click', this.onPress);
    this.theme.removeEventListener('change', this.onTheme);
    this.size.disconnect();
    clearInterval(this.again);
  },
  methods: {
    ...drawing,
    ...panel,
    ...marking,
    ...saying,
    async load() {
      const answer = await fetch(this.url, { credentials: 'same-origin' });
      if (!answer.ok) { this.complain(await answer.text()); return; }
      const bytes = await answer.arrayBuffer();
      const length = new DataView(bytes).getUint32(0, true);
      const head = JSON.parse(new TextDecoder().decode(new Uint8Array(bytes, 4, length)));
      this.samples = new Float32Array(bytes, 4 + length);
      Object.assign(this, { facts: head.facts, length: head.length, start: head.start, step: head.step });
      this.end = this.start + this.step * (this.length - 1);
      this.place = new Map(this.facts.map((fact, at) => [fact.id, at]));
      for (const one of this.queue) this.lay(one);
      this.groups.clear();
      const was = this.place.get(sessionStorage.getItem(`${this.store} at`));
      const unseen = this.facts.findIndex((fact) => !fact.seen);
      this.at = was !== undefined ? was : Math.max(unseen, 0);
      this.buildFilters();
      this.buildCells();
      this.buildLegend();
      this.show();
      this.size.observe(this.$refs.stage);
      performance.mark('decussa first sweep');
      this.prepare();
      this.pump();
    },
    fact() { return this.facts[this.at]; },
    fresh() {
      this.measured = null;
      this.groups.clear();
      this.draw();
    },
    // Lay the overlays of the other conditions while nobody waits for them.
    prepare() {
      const later = window.requestIdleCallback || ((call) => setTimeout(call, 50));
      later(() => {
        const other = this.facts.findIndex((fact) => !this.groupOf(fact).overlay);
        if (other < 0 || !this.$refs.stage) return;
        const at = this.at;
        this.at = other;
        this.draw();
        this.at = at;
        this.draw();
        if (this.groupOf(this.facts[other]).overlay) this.prepare();
      });
    },
    chosen(fact) {
      const { condition, show } = this.filter;
      if (condition && fact.condition !== condition) return false;
      if (show === 'unseen') return !fact.seen;
      if (show === 'changed') return fact.changed.length > 0;
      return !show || fact.verdict === show;
    },
    // Sweeps that are laid over each other: of one condition; for who is blind those of one window, at rest or held, which
    // each sweep shows by itself.
    keyOf(fact) {
      if (this.blind) return `${fact.proposed.window_start_ms}|${fact.proposed.window_end_ms}|${known(fact.limit)}`;
      return `${fact.condition}|${fact.stim}|${fact.isi}|${fact.contraction}`;
    },
    groupOf(fact) {
      const key = this.keyOf(fact);
      const filtered = `${key}|${this.filter.show}`;
      let group = this.groups.get(filtered);
      if (!group) {
        const members = [];
        this.facts.forEach((one, at) => {
          if (this.keyOf(one) === key && this.chosen(one)) members.push(at);
        });
        group = { members };
        this.groups.set(filtered, group);
      }
      return group;
    },
    spanOf(group, fact) {
      if (this.whole) return [this.start, this.end];
      let last = fact.marks.window_end_ms || 50;
      let first = fact.blanks[0][0];
      for (const at of group.members) {
        const { marks, proposed } = this.facts[at];
        for (const held of [marks, proposed]) {
          last = Math.max(last, (held.window_end_ms || 0), known(held.silent_end_ms) ? held.silent_end_ms + 40 : 0);
        }
      }
      return [Math.max(this.start, Math.min(-22, first > -150 ? first - 8 : -22)), Math.min(this.end, last + 12)];
    },
    index(t) { return Math.min(Math.max(Math.round((t - this.start) / this.step), 0), this.length - 1); },
    isBlank(fact, t) { return fact.blanks.some(([from, to]) => t >= from && t <= to); },
    find(way, wanted) {
      for (let at = this.at + way; at >= 0 && at < this.facts.length; at += way) if (wanted(this.facts[at])) { this.at = at; return true; }
      return false;
    },
    go(at) {
      if (at === this.at || !this.facts[at]) return;
      this.settle();
      this.at = at;
      this.complain('');
      this.show();
    },
    move(way, wanted) {
      this.settle();
      const here = this.fact();
      if (way > 0 && !here.seen) this.say('seen', '');
      this.complain('');
      if (!this.find(way, wanted || ((fact) => this.chosen(fact)))) this.complain(way > 0 ? this.words.last : this.words.first);
      this.show();
    },
    leave(to) {
      this.settle();
      if (!this.queue.length) { location.href = to; return; }
      this.complain(this.words.waiting);
      setTimeout(() => this.leave(to), 100);
    },
    act(name) {
      const acts = {
        next: () => this.move(1), back: () => this.move(-1), undo: () => this.undo(),
        doubtful: () => this.move(1, (fact) => fact.verdict === 'doubtful' && this.chosen(fact)),
        whole: () => { this.whole = !this.whole; this.show(); },
        larger: () => { this.gain = Math.min(this.gain * 1.5, 60); this.show(); },
        smaller: () => { this.gain = Math.max(this.gain / 1.5, 0.2); this.show(); },
        close: () => { if (!this.$refs.help.hidden) this.$refs.help.hidden = true; else if (this.taken) { this.settle(); this.taken = ''; this.show(); } else this.leave(this.links.back); },
        keys: () => {
          const help = this.$refs.help;
          help.hidden = !help.hidden;
          if (help.hidden) help.parentElement.scrollTop = 0; else help.scrollIntoView({ block: 'nearest' });
        },
        table: () => this.leave(this.links.table), report: () => this.leave(this.links.report),
      };
      if (acts[name]) acts[name]();
    },
    key(event) {
      if (event.ctrlKey || event.metaKey || event.altKey || event.isComposing || !this.facts.length) return;
      const at = document.activeElement;
      if (at && /^(INPUT|TEXTAREA|SELECT)$/.test(at.tagName)) { if (event.key === 'Escape') at.blur(); return; }
      const key = event.key.length === 1 ? event.key.toUpperCase() : event.key;
      const way = { ArrowRight: 1, ArrowLeft: -1 }[key];
      if (way && this.taken) { this.shift(this.fact().marks[this.taken] + way * (event.shiftKey ? 1 : 0.1)); this.show(); }
      else if (way) this.move(way);
      else if (event.repeat) return;
      else if (TAKES[key]) this.take(TAKES[key]);
      else if ('123'.includes(key)) this.judge(VERDICTS[Number(key) - 1]);
      else if (key === '0') this.nothingThere();
      else if (key === 'N') { if (this.fact().verdict === 'accept') return; this.$refs.reason.focus(); this.$refs.reason.select(); }
      else if (key === 'Enter' && this.taken) { this.settle(); this.taken = ''; this.show(); }
      else {
        const name = { F: 'doubtful', U: 'undo', V: 'whole', '+': 'larger', '-': 'smaller', T: 'table', P: 'report', '?': 'keys', Escape: 'close' }[key];
        if (!name) return;
        this.act(name);
      }
      event.preventDefault();
    },
  },
};
