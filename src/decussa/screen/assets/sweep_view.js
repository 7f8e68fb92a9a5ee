// One sweep on a canvas: trace with halo, hatched artifact, window, onset with its interval, size bracket. No dependencies.
// sweep: {samples (base64 of float32, microvolt), start, step (ms), window: [ms, ms], marks: {...}, size: text}
const decode = (text) => new Float32Array(Uint8Array.from(atob(text), (c) => c.charCodeAt(0)).buffer);
const known = (value) => typeof value === 'number' && Number.isFinite(value);

export default {
  template: '<div class="sweep" role="img" :aria-label="label"><canvas aria-hidden="true"></canvas></div>',
  props: { sweep: Object, label: String },
  mounted() {
    this.canvas = this.$el.querySelector('canvas');
    this.size = new ResizeObserver(() => this.draw());
    this.size.observe(this.$el);
    this.theme = matchMedia('(prefers-color-scheme: dark)');
    this.onTheme = () => this.draw();
    this.theme.addEventListener('change', this.onTheme);
    this.draw();
  },
  unmounted() {
    this.size.disconnect();
    this.theme.removeEventListener('change', this.onTheme);
  },
  watch: { sweep() { this.draw(); } },
  methods: {
    draw() {
      const { clientWidth: w, clientHeight: h } = this.$el;
      const ratio = devicePixelRatio || 1;
      this.canvas.width = w * ratio;
      this.canvas.height = h * ratio;
      const g = this.canvas.getContext('2d');
      g.setTransform(ratio, 0, 0, ratio, 0, 0);
      g.clearRect(0, 0, w, h);
      if (!this.sweep || !w) return;
      const style = getComputedStyle(document.documentElement);
      const ink = (name) => style.getPropertyValue(name).trim();
      const y = decode(this.sweep.samples);
      const { start, step, window: win, marks } = this.sweep;
      const end = start + step * (y.length - 1);
      const box = { left: w > 420 ? 62 : 54, right: w - (w > 420 ? 92 : 78), top: 26, bottom: h - 28 };
      const tx = (t) => box.left + ((t - start) / (end - start)) * (box.right - box.left);
      const index = (t) => Math.round((t - start) / step);
      const part = (t0, t1) => y.subarray(Math.max(index(t0), 0), Math.min(index(t1) + 1, y.length));
      const cut0 = known(marks.artifact_start_ms) ? marks.artifact_start_ms : 0;
      const cut1 = known(marks.artifact_end_ms) ? marks.artifact_end_ms : cut0;
      const quiet = part(start, cut0 - 0.5);
      let middle = 0;
      for (const v of quiet) middle += v / Math.max(quiet.length, 1);
      let low = Infinity, high = -Infinity;
      for (const v of [...quiet, ...part(cut1, end)]) { low = Math.min(low, v); high = Math.max(high, v); }
      // Where a silence is looked for the background counts: the scale is that of the background, the response leaves it.
      const near = this.sweep.near && known(marks.silent_end_ms);
      if (near) {
        low = Infinity; high = -Infinity;
        for (const v of [...quiet, ...part(Math.max(win[1], marks.silent_end_ms), end)]) { low = Math.min(low, v); high = Math.max(high, v); }
        const room = (high - low) * 0.7; low -= room; high += room;
      }
      const least = Math.max(known(marks.noise_uv) ? marks.noise_uv * 1.6 : 0, 30);
      if (high - low < least) { const pad = (least - (high - low)) / 2; low -= pad; high += pad; }
      const span = (high - low) * 1.16, centre = (high + low) / 2;
      const ty = (v) => (box.top + box.bottom) / 2 - ((v - centre) / span) * (box.bottom - box.top);
      const say = (text, x, yy, align, color, weight) => {
        g.font = `${weight || 400} 14px ${ink('--font')}`; g.textAlign = align; g.fillStyle = color; g.fillText(text, x, yy);
      };
      const line = (x0, y0, x1, y1, color, width, dash) => {
        g.beginPath(); g.setLineDash(dash || []); g.strokeStyle = color; g.lineWidth = width;
        g.moveTo(x0, y0); g.lineTo(x1, y1); g.stroke(); g.setLineDash([]);
      };
      // Hatch: not data.
      g.save(); g.beginPath(); g.rect(tx(cut0), box.top, Math.max(tx(cut1) - tx(cut0), 3), box.bottom - box.top); g.clip();
      for (let x = tx(cut0) - h; x < tx(cut1) + h; x += 7) line(x, box.bottom, x + h, box.bottom - h, ink('--edge'), 1.1);
      g.restore();
      // What noise alone would give.
      if (known(marks.noise_uv)) {
        g.fillStyle = ink('--line'); g.globalAlpha = 0.5;
        g.fillRect(box.left, ty(middle + marks.noise_uv / 2), box.right - box.left, ty(middle - marks.noise_uv / 2) - ty(middle + marks.noise_uv / 2));
        g.globalAlpha = 1;
      }
      const wash = (from, to) => {
        if (known(from) && known(to)) { g.fillStyle = ink('--now-wash'); g.fillRect(tx(from), box.top, Math.max(tx(to) - tx(from), 1), box.bottom - box.top); }
      };
      wash(marks.latency_low_ms, marks.latency_high_ms);
      wash(marks.silent_low_ms, marks.silent_high_ms);
      const trace = (t0, t1, color, width) => {
        g.beginPath(); g.strokeStyle = color; g.lineWidth = width; g.lineJoin = 'round';
        const last = Math.min(index(t1), y.length - 1);
        for (let i = Math.max(index(t0), 0); i <= last; i++) g.lineTo(tx(start + i * step), ty(y[i]));
        g.stroke();
      };
      g.save(); g.beginPath(); g.rect(box.left - 3, box.top, box.right - box.left + 6, box.bottom - box.top); g.clip();
      for (const [color, width] of [[ink('--paper'), 6], [ink('--ink'), 2]]) { trace(start, cut0 - step, color, width); trace(cut1, end, color, width); }
      g.restore();
      // Size bracket at the right.
      const response = part(Math.max(win[0], cut1), Math.min(win[1], end));
      if (near) {
        say(this.sweep.size, box.right + 9, box.top + 12, 'left', ink('--ink'), 600);
        say(this.sweep.cut, box.right + 9, box.top + 30, 'left', ink('--ink-2'));
      } else if (response.length && known(marks.amplitude_uv)) {
        let top = -Infinity, foot = Infinity, at = 0, from = 0;
        response.forEach((v, i) => { if (v > top) { top = v; at = i; } if (v < foot) { foot = v; from = i; } });
        const t0 = Math.max(win[0], cut1), x = box.right + 12;
        line(tx(t0 + at * step), ty(top), x, ty(top), ink('--edge'), 1.2, [4, 4]);
        line(tx(t0 + from * step), ty(foot), x, ty(foot), ink('--edge'), 1.2, [4, 4]);
        line(x, ty(top), x, ty(foot), ink('--ink'), 1.5);
        line(x - 5, ty(top), x + 5, ty(top), ink('--ink'), 1.5); line(x - 5, ty(foot), x + 5, ty(foot), ink('--ink'), 1.5);
        say(this.sweep.size, x + 9, (ty(top) + ty(foot)) / 2 + 5, 'left', ink('--ink'), 600);
      }
      // Marks in time.
      const mark = (t, text) => {
        line(tx(t), box.top, tx(t), box.bottom, ink('--now'), 2);
        g.font = `600 14px ${ink('--font')}`;
        const half = g.measureText(text).width / 2;
        say(text, Math.min(Math.max(tx(t), half + 2), w - half - 2), box.top - 9, 'center', ink('--now'), 600);
      };
      if (known(marks.latency_ms)) mark(marks.latency_ms, `onset ${marks.latency_ms.toFixed(1)} ms`);
      if (known(marks.silent_end_ms) && tx(marks.silent_end_ms) - tx(marks.latency_ms || 0) > 150) mark(marks.silent_end_ms, `silence ends ${marks.silent_end_ms.toFixed(0)} ms`);
      // Window, scale bar, axis.
      line(tx(win[0]), box.bottom - 5, tx(Math.min(win[1], end)), box.bottom - 5, ink('--ink'), 1.5);
      const named = `window ${win[0]}–${win[1]}`;
      g.font = `400 14px ${ink('--font')}`;
      const wide = g.measureText(named).width;
      const named_at = Math.max(tx(Math.min(win[1], end)), box.left + wide);
      g.fillStyle = ink('--paper'); g.globalAlpha = 0.85;
      g.fillRect(named_at - wide - 3, box.bottom - 22, wide + 6, 15);
      g.globalAlpha = 1;
      say(named, named_at, box.bottom - 10, 'right', ink('--ink-2'));
      const raw = span / 4, power = 10 ** Math.floor(Math.log10(raw));
      const bar = [1, 2, 5, 10].map((f) => f * power).find((f) => f >= raw);
      const height = (bar / span) * (box.bottom - box.top);
      line(3, box.top + 4, 3, box.top + 4 + height, ink('--ink'), 3);
      say(bar >= 1000 ? `${bar / 1000} mV` : `${bar} µV`, 10, box.top + 8 + height / 2, 'left', ink('--ink-2'));
      line(box.left, box.bottom, box.right, box.bottom, ink('--edge'), 1);
      const every = [5, 10, 20, 25, 50, 100, 200].find((gap) => (end - start) / gap <= 6) || 500;
      const ticks = [];
      for (let t = Math.ceil(start / every) * every; t <= end; t += every) ticks.push(t);
      ticks.forEach((t, i) => {
        line(tx(t), box.bottom, tx(t), box.bottom + 5, ink('--edge'), 1);
        const text = `${t}${i === ticks.length - 1 ? ' ms' : ''}`.replace('-', '−');
        g.font = `400 14px ${ink('--font')}`;
        const half = g.measureText(text).width / 2;
        say(text, Math.min(Math.max(tx(t), half), w - half), box.bottom + 20, 'center', ink('--ink-2'));
      });
    },
  },
};
