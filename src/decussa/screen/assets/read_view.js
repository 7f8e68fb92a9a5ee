// The review of one muscle: all sweeps drawn as an overlay, one bright, stepped, judged and marked by key or pointer.
// No dependencies. The sweeps come as one block of bytes; stepping asks nobody. What a rater says is kept in a queue of the
// window until the server has written it, so that neither a reload nor a restart of the program loses it.
const known = (value) => typeof value === 'number' && Number.isFinite(value);
const escaped = (words) => String(words).replace(/[&<>"']/g, (c) => `&#${c.charCodeAt(0)};`);
const num = (value, digits) => value.toFixed(digits).replace('-', '\u2212');
const msText = (value) => (known(value) ? `${num(value, Math.abs(value) < 100 ? 1 : 0)}\u202fms` : '\u2014');
const uvText = (value) => {
  if (!known(value)) return '\u2014';
  if (value >= 1000) return `${num(value / 1000, value < 10000 ? 2 : 1)}\u202fmV`;
  return `${num(value, value >= 10 ? 0 : 1)}\u202f\u00b5V`;
};
const SHAPES = {
  accept: '<circle class="fill" cx="10" cy="10" r="7.5"/>',
  doubtful: '<path class="line" d="M10 2L18 10L10 18L2 10Z"/><path class="fill" d="M10 2L2 10L10 18Z"/>',
  reject: '<rect class="line" x="3" y="3" width="14" height="14"/><path class="line" d="M3 17L17 3"/>',
  unseenaccept: '<circle class="line dots" cx="10" cy="10" r="7"/>',
  unseendoubtful: '<path class="line dots" d="M10 2L18 10L10 18L2 10Z"/>',
  unseenreject: '<rect class="line dots" x="3.5" y="3.5" width="13" height="13"/>',
};
const sign = (kind, size) => `<svg class="sign ${kind}" viewBox="0 0 20 20" width="${size}" height="${size}" aria-hidden="true">${SHAPES[kind]}</svg>`;
const VERDICTS = ['accept', 'doubtful', 'reject'];
const TAKES = { O: 'onset_ms', E: 'end_ms', S: 'silent_end_ms', W: 'window_start_ms' };
const FLAGGED = ['onset_ms', 'end_ms', 'silent_end_ms'];
const HIDDEN = (word) => `<span class="blind" role="img" aria-label="${escaped(word)}"></span>`;

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
    this.size = new ResizeObserver(() => { this.groups.clear(); this.draw(); });
    this.theme = matchMedia('(prefers-color-scheme: dark)');
    this.onTheme = () => { this.groups.clear(); this.draw(); };
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
    // ---- what is shown
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
    // ---- drawing
    draw() {
      const stage = this.$refs.stage;
      const w = stage.clientWidth, h = stage.clientHeight;
      if (!w || !this.facts.length) return;
      const ratio = devicePixelRatio || 1;
      const canvas = this.$refs.canvas;
      if (canvas.width !== Math.round(w * ratio) || canvas.height !== Math.round(h * ratio)) {
        canvas.width = Math.round(w * ratio);
        canvas.height = Math.round(h * ratio);
      }
      const g = canvas.getContext('2d');
      g.setTransform(ratio, 0, 0, ratio, 0, 0);
      g.clearRect(0, 0, w, h);
      const fact = this.fact(), group = this.groupOf(fact);
      const [t0, t1] = this.spanOf(group, fact);
      const box = { left: 4, right: w - (w > 480 ? 104 : 12), top: 46, bottom: h - 30 };
      const scale = this.scaleOf(group, fact, t0, t1);
      this.zoom = this.zoomOf(fact, scale);
      // Larger is larger about the baseline.
      const middle = (box.top + box.bottom) / 2, unit = (box.bottom - box.top) / scale.span * this.zoom, centre = scale.centre / this.zoom;
      this.tx = (t) => box.left + ((t - t0) / (t1 - t0)) * (box.right - box.left);
      this.invert = (x) => t0 + ((x - box.left) / (box.right - box.left)) * (t1 - t0);
      const ty = (v) => middle - (v - centre) * unit;
      const style = getComputedStyle(document.documentElement);
      const ink = (name) => style.getPropertyValue(name).trim();
      const pen = { g, ink, box, w, h, ty, t0, t1 };
      const overlay = this.overlayOf(group, pen, ratio, scale);
      g.setTransform(1, 0, 0, 1, 0, 0);
      g.drawImage(overlay, Math.round(box.left * ratio), Math.round(box.top * ratio));
      g.setTransform(ratio, 0, 0, ratio, 0, 0);
      this.drawBlanks(pen, fact);
      this.drawIntervals(pen, fact);
      this.drawTrace(pen, fact);
      this.drawSize(pen, fact);
      this.drawMarks(pen, fact);
      this.drawScale(pen, scale);
    },
    // The end of a silence is sought in the background, which a large response leaves no room for: it is drawn larger meanwhile.
    zoomOf(fact, scale) {
      if (this.taken !== 'silent_end_ms' || this.gain !== 1) return this.gain;
      let sum = 0, count = 0;
      for (let i = 0, last = this.index(fact.blanks[0][0]); i < last; i++) {
        const v = this.samples[this.at * this.length + i];
        if (v === v) { sum += v * v; count++; }
      }
      return count && sum ? Math.min(Math.max(scale.span / (10 * Math.sqrt(sum / count)), 1), 200) : 1;
    },
    scaleOf(group, fact, t0, t1) {
      if (group.scale && group.scale.t0 === t0 && group.scale.t1 === t1) return group.scale;
      let low = Infinity, high = -Infinity;
      const judge = (only) => {
        for (const at of group.members) {
          const one = this.facts[at];
          if (only && one.verdict === 'reject') continue;
          const from = at * this.length;
          for (let i = this.index(t0), last = this.index(t1); i <= last; i++) {
            const v = this.samples[from + i];
            if ((v < low || v > high) && !this.isBlank(one, this.start + i * this.step)) { if (v < low) low = v; if (v > high) high = v; }
          }
        }
      };
      judge(true);
      if (low > high) judge(false);
      if (low > high) { low = -1; high = 1; }
      const least = this.blind ? 1 : 40;
      if (high - low < least) { const pad = (least - high + low) / 2; low -= pad; high += pad; }
      group.scale = { t0, t1, span: (high - low) * 1.12, centre: (high + low) / 2 };
      return group.scale;
    },
    // Every sweep of the group as runs of pixels, column by column, into one picture; kept until something of it changes.
    overlayOf(group, pen, ratio, scale) {
      const { box, ink, t0, t1 } = pen;
      const width = Math.round((box.right - box.left) * ratio), height = Math.round((box.bottom - box.top) * ratio);
      const name = `${width} ${height} ${t0} ${t1} ${this.zoom} ${scale.span}`;
      if (group.overlay && group.name === name) return group.overlay;
      const colour = (token) => { const hex = ink(token).slice(1); return [0, 2, 4].map((i) => parseInt(hex.slice(i, i + 2), 16)); };
      const density = new Uint16Array(width * height), odd = new Uint8Array(width * height);
      const unit = height / scale.span * this.zoom, middle = height / 2, rest = scale.centre / this.zoom;
      const perColumn = (t1 - t0) / (width - 1) / this.step;
      const first = (t0 - this.start) / this.step;
      for (const at of group.members) {
        const fact = this.facts[at];
        const kind = VERDICTS.indexOf(fact.verdict), from = at * this.length;
        const blanks = fact.blanks.map(([a, b]) => [(a - t0) / (t1 - t0) * (width - 1), (b - t0) / (t1 - t0) * (width - 1)]);
        let before = NaN;
        for (let x = 0; x < width; x++) {
          if (blanks.some(([a, b]) => x >= a && x <= b)) { before = NaN; continue; }
          let i = Math.ceil(first + (x - 0.5) * perColumn), last = Math.floor(first + (x + 0.5) * perColumn);
          let low, high;
          if (last < i || perColumn < 1) {
            const place = Math.min(Math.max(first + x * perColumn, 0), this.length - 1), under = Math.floor(place);
            const a = this.samples[from + under], b = this.samples[from + Math.min(under + 1, this.length - 1)];
            low = high = a + (b - a) * (place - under);
          } else {
            i = Math.max(i, 0); last = Math.min(last, this.length - 1);
            low = Infinity; high = -Infinity;
            for (; i <= last; i++) { const v = this.samples[from + i]; if (v < low) low = v; if (v > high) high = v; }
          }
          if (!(low <= high)) { before = NaN; continue; }
          let top = Math.round(middle - (high - rest) * unit), foot = Math.round(middle - (low - rest) * unit);
          const centre = (top + foot) >> 1;
          if (before === before) { if (before < top) top = before; else if (before > foot) foot = before; }
          before = centre;
          if (kind === 1 && x % 9 >= 6 || kind === 2 && x % 4 >= 2) continue;
          top = Math.max(top, 0); foot = Math.min(foot, height - 1);
          if (kind === 0) for (let y = top; y <= foot; y++) density[y * width + x]++;
          else for (let y = top; y <= foot; y++) odd[y * width + x] = kind;
        }
      }
      const image = new ImageData(width, height), pixels = new Uint32Array(image.data.buffer);
      const plain = colour('--ink-2'), marked = [null, colour('--d2'), colour('--d4')];
      const packed = ([r, gr, b], alpha) => ((alpha << 24) | (b << 16) | (gr << 8) | r) >>> 0;
      const each = 0.42 * Math.min(1, Math.sqrt(30 / group.members.length));
      const shades = Array.from({ length: 64 }, (_, n) => packed(plain, Math.round(255 * (1 - (1 - each) ** n) * 0.85)));
      const dyed = marked.map((colour) => (colour ? packed(colour, 190) : 0));
      for (let i = 0; i < pixels.length; i++) {
        if (odd[i] && density[i] < 2) pixels[i] = dyed[odd[i]];
        else if (density[i]) pixels[i] = shades[Math.min(density[i], 63)];
      }
      const overlay = document.createElement('canvas');
      overlay.width = width; overlay.height = height;
      overlay.getContext('2d').putImageData(image, 0, 0);
      Object.assign(group, { overlay, name });
      return overlay;
    },
    line(pen, x0, y0, x1, y1, colour, width, dash) {
      const { g } = pen;
      g.beginPath(); g.setLineDash(dash || []); g.strokeStyle = colour; g.lineWidth = width;
      g.moveTo(x0, y0); g.lineTo(x1, y1); g.stroke(); g.setLineDash([]);
    },
    write(pen, words, x, y, align, colour, weight) {
      const { g, ink } = pen;
      g.font = `${weight || 400} 14px ${ink('--font')}`; g.textAlign = align; g.fillStyle = colour; g.fillText(words, x, y);
    },
    drawBlanks(pen, fact) {
      const { g, box, ink, t0, t1 } = pen, height = box.bottom - box.top;
      for (const [from, to] of fact.blanks) {
        if (to < t0 || from > t1) continue;
        const x0 = Math.max(this.tx(from), box.left), x1 = Math.min(Math.max(this.tx(to), x0 + 3), box.right);
        g.save(); g.beginPath(); g.rect(x0, box.top, x1 - x0, height); g.clip();
        g.clearRect(x0, box.top, x1 - x0, height);
        g.beginPath(); g.strokeStyle = ink('--edge'); g.lineWidth = 1.1;
        for (let x = x0 - height; x < x1 + height; x += 8) { g.moveTo(x, box.bottom); g.lineTo(x + height, box.top); }
        g.stroke(); g.restore();
      }
    },
    drawIntervals(pen, fact) {
      const { g, box, ink } = pen;
      const wash = (from, to) => {
        if (!known(from) || !known(to)) return;
        g.globalAlpha = 0.16; g.fillStyle = ink('--now');
        g.fillRect(this.tx(from), box.top, Math.max(this.tx(to) - this.tx(from), 1), box.bottom - box.top); g.globalAlpha = 1;
      };
      if (!fact.changed.includes('onset_ms')) wash(fact.values.latency_low_ms, fact.values.latency_high_ms);
      if (!fact.changed.includes('silent_end_ms')) wash(fact.values.silent_low_ms, fact.values.silent_high_ms);
    },
    drawTrace(pen, fact) {
      const { g, box, ink, ty, t0, t1 } = pen, from = this.at * this.length;
      g.save(); g.beginPath(); g.rect(box.left, box.top, box.right - box.left, box.bottom - box.top); g.clip();
      const path = new Path2D();
      let down = false;
      for (let i = this.index(t0), last = this.index(t1); i <= last; i++) {
        const t = this.start + i * this.step, v = this.samples[from + i];
        if (v !== v || this.isBlank(fact, t)) { down = false; continue; }
        if (down) path.lineTo(this.tx(t), ty(v)); else path.moveTo(this.tx(t), ty(v));
        down = true;
      }
      g.lineJoin = 'round';
      for (const [colour, width] of [[ink('--paper'), 6], [ink('--now'), 2.4]]) { g.strokeStyle = colour; g.lineWidth = width; g.stroke(path); }
      g.restore();
    },
    drawSize(pen, fact) {
      const { g, box, ink, ty } = pen;
      const { window_start_ms: from, window_end_ms: to } = fact.marks;
      let top = -Infinity, foot = Infinity, at = 0, under = 0;
      for (let i = this.index(from), last = this.index(to); i <= last; i++) {
        const v = this.samples[this.at * this.length + i], t = this.start + i * this.step;
        if (this.isBlank(fact, t)) continue;
        if (v > top) { top = v; at = t; }
        if (v < foot) { foot = v; under = t; }
      }
      if (!(top > foot)) return;
      const held = (v) => Math.min(Math.max(ty(v), box.top), box.bottom);
      const x = box.right + 12;
      for (const [t, v] of [[at, top], [under, foot]]) {
        if (pen.w > 480) this.line(pen, this.tx(t) + 8, held(v), x, held(v), ink('--edge'), 1.2, [4, 4]);
        if (held(v) !== ty(v)) continue; // cut off by the frame
        g.beginPath(); g.arc(this.tx(t), held(v), 5, 0, 2 * Math.PI); g.fillStyle = ink('--sheet'); g.fill();
        g.strokeStyle = ink('--now'); g.lineWidth = 2.2; g.stroke();
      }
      if (pen.w <= 480) return;
      this.line(pen, x, held(top), x, held(foot), ink('--ink'), 1.5);
      for (const v of [top, foot].filter((end) => held(end) === ty(end))) this.line(pen, x - 5, held(v), x + 5, held(v), ink('--ink'), 1.5);
      const words = this.blind ? '' : uvText(fact.sizes.amplitude_uv);
      this.write(pen, words, x + 10, (held(top) + held(foot)) / 2 + 5, 'left', ink('--ink'), 600);
    },
    drawMarks(pen, fact) {
      const { box, ink } = pen;
      this.spots = [];
      const clear = (x) => Math.min(Math.max(x, box.left), box.right);
      const { window_start_ms: from, window_end_ms: to } = fact.marks;
      this.line(pen, clear(this.tx(from)), box.bottom - 6, clear(this.tx(to)), box.bottom - 6, ink('--ink'), 1.6);
      for (const [name, t] of [['window_start_ms', from], ['window_end_ms', to]]) {
        const taken = this.taken === name, x = clear(this.tx(t));
        this.line(pen, x, box.bottom - (taken ? box.bottom - box.top : 14), x, box.bottom, ink(taken ? '--now' : '--ink'), taken ? 2 : 3);
        if (taken) this.flag(pen, name, x, true, name === 'window_start_ms');
        this.spots.push({ name, x, low: box.bottom - 18 });
      }
      for (const name of FLAGGED) {
        const t = fact.marks[name];
        if (!known(t)) continue;
        const x = clear(this.tx(t)), taken = this.taken === name;
        this.line(pen, x, box.top - 12, x, box.bottom, ink(taken ? '--now' : '--ink'), taken ? 2 : 1.4);
        for (const dx of [-3, 0, 3]) this.line(pen, x + dx, box.bottom - 24, x + dx, box.bottom - 12, ink(taken ? '--now' : '--ink'), 1.2);
        this.flag(pen, name, x, taken, name === 'onset_ms');
        this.spots.push({ name, x, low: 0 });
      }
    },
    flag(pen, name, x, taken, before) {
      const { g, ink, w } = pen;
      const words = `${this.words.marks[name]} ${msText(this.fact().marks[name])}`;
      g.font = `600 14px ${ink('--font')}`;
      const width = g.measureText(words).width + 20;
      const left = Math.min(Math.max(before ? x - width : x, 1), w - width - 1);
      g.fillStyle = ink(taken ? '--now' : '--sheet'); g.fillRect(left, 6, width, 28);
      g.strokeStyle = ink(taken ? '--now' : '--ink'); g.lineWidth = 1.5; g.strokeRect(left, 6, width, 28);
      this.write(pen, words, left + width / 2, 25, 'center', ink(taken ? '--sheet' : '--ink'), 600);
      this.spots.push({ name, x: left + width / 2, half: width / 2, low: 6, high: 36 });
    },
    drawScale(pen, scale) {
      const { box, ink, t0, t1 } = pen, height = box.bottom - box.top;
      if (!this.blind) {
        const raw = scale.span / this.zoom / 4, power = 10 ** Math.floor(Math.log10(raw));
        const bar = [1, 2, 5, 10].map((f) => f * power).find((f) => f >= raw);
        const long = bar / scale.span * this.zoom * height;
        this.line(pen, box.left + 6, box.top + 8, box.left + 6, box.top + 8 + long, ink('--ink'), 3);
        this.write(pen, bar >= 1000 ? `${bar / 1000}\u202fmV` : `${bar}\u202f\u00b5V`, box.left + 15, box.top + 13 + long / 2, 'left', ink('--ink-2'));
      }
      this.line(pen, box.left, box.bottom, box.right, box.bottom, ink('--edge'), 1);
      const every = [2, 5, 10, 20, 25, 50, 100, 200].find((gap) => (t1 - t0) / gap <= 7) || 500;
      const ticks = [];
      for (let t = Math.ceil(t0 / every) * every; t <= t1; t += every) ticks.push(t);
      ticks.forEach((t, i) => {
        this.line(pen, this.tx(t), box.bottom, this.tx(t), box.bottom + 5, ink('--edge'), 1);
        const words = num(t, 0) + (i === ticks.length - 1 ? '\u202fms' : '');
        this.write(pen, words, Math.min(Math.max(this.tx(t), 14), pen.w - 22), box.bottom + 20, 'center', ink('--ink-2'));
      });
    },
    // ---- what stands around the drawing
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
      const seen = this.facts.filter((one) => one.seen).length;
      this.$refs.count.textContent = words.counted.replace('{seen}', seen).replace('{all}', this.facts.length);
      const name = this.blind ? this.at + 1 : fact.number;
      this.$refs.title.innerHTML = `${escaped(words.sweep)} ${name}` + (this.blind ? '' : ` <small>${escaped(this.conditionWords(fact))}</small>`);
      const taken = this.taken ? words.taken.replace('{mark}', words.marks[this.taken]) : words.untaken;
      if (this.hinted !== taken) { this.hinted = taken; this.$refs.hint.innerHTML = taken.replace(/\[(.+?)\]/g, (_, cap) => `<kbd>${escaped(cap)}</kbd>`); }
      if (this.current !== this.at) {
        if (this.cells[this.current]) this.cells[this.current].classList.remove('cur');
        this.current = this.at;
        const cell = this.cells[this.at], list = this.$refs.cells;
        cell.classList.add('cur');
        if (cell.offsetTop < list.scrollTop || cell.offsetTop + cell.offsetHeight > list.scrollTop + list.clientHeight) list.scrollTop = cell.offsetTop - list.clientHeight / 2;
        sessionStorage.setItem(`${this.store} at`, fact.id);
      }
      this.drawCell(this.at);
      this.showFacts(fact);
      this.showTally();
      this.draw();
      this.$refs.stage.setAttribute('aria-label', this.spoken(fact));
      clearTimeout(this.speaking);
      this.speaking = setTimeout(() => { this.$refs.said.textContent = this.spoken(this.fact()); }, 350);
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
    // ---- stepping
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
    // ---- marks
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
    // ---- what is said, and written
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
