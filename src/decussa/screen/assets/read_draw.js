// How the review draws: the overlay as one picture of pixels, the sweep in hand, its marks and scale.
import { known, num, msText, uvText, VERDICTS, FLAGGED } from '/assets/read_text.js';

export const drawing = {
  // Size and colours are asked for once, not at each step: asking makes the browser lay out the page.
  measure() {
    const style = getComputedStyle(document.documentElement);
    const palette = {};
    for (const name of ['--paper', '--sheet', '--ink', '--ink-2', '--edge', '--now', '--d2', '--d4', '--font']) palette[name] = style.getPropertyValue(name).trim();
    this.measured = { w: this.$refs.stage.clientWidth, h: this.$refs.stage.clientHeight, palette };
  },
  draw() {
    if (!this.measured) this.measure();
    const { w, h, palette } = this.measured;
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
    const ink = (name) => palette[name];
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
};
