// Words, numbers and signs of the review's window.
export const known = (value) => typeof value === 'number' && Number.isFinite(value);
export const escaped = (words) => String(words).replace(/[&<>"']/g, (c) => `&#${c.charCodeAt(0)};`);
export const num = (value, digits) => value.toFixed(digits).replace('-', '\u2212');
export const msText = (value) => (known(value) ? `${num(value, Math.abs(value) < 100 ? 1 : 0)}\u202fms` : '\u2014');
export const uvText = (value) => {
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
export const sign = (kind, size) => `<svg class="sign ${kind}" viewBox="0 0 20 20" width="${size}" height="${size}" aria-hidden="true">${SHAPES[kind]}</svg>`;
export const VERDICTS = ['accept', 'doubtful', 'reject'];
export const TAKES = { O: 'onset_ms', E: 'end_ms', S: 'silent_end_ms', W: 'window_start_ms' };
export const FLAGGED = ['onset_ms', 'end_ms', 'silent_end_ms'];
export const HIDDEN = (word) => `<span class="blind" role="img" aria-label="${escaped(word)}"></span>`;
