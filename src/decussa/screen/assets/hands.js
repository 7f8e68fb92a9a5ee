// Keys, presses and forms of a page: what was meant, and the turn it was meant for, goes to the server. No dependencies.
// keys: {key: act}; a button or form carries data-act; a form's fields go along.
export default {
  template: '<div hidden></div>',
  props: { keys: Object, turn: Number },
  mounted() {
    const typing = (el) => el && /^(INPUT|TEXTAREA|SELECT)$/.test(el.tagName);
    const send = (act, fields) => this.$emit('act', { act, turn: this.turn, fields: fields || {} });
    this.onKey = (event) => {
      if (event.repeat || event.ctrlKey || event.metaKey || event.altKey || event.isComposing) return;
      const key = event.key.length === 1 ? event.key.toUpperCase() : event.key;
      const act = this.keys[key];
      if (!act) return;
      const at = document.activeElement;
      if (typing(at)) {
        const harmless = at.type === 'number' && /^[A-Z?]$/.test(key) && key !== 'E';
        if (key !== 'Escape' && !harmless) return;
      } else if (at && /^(BUTTON|A|SUMMARY)$/.test(at.tagName) && (key === 'Enter' || key === ' ')) return;
      event.preventDefault();
      send(act);
    };
    this.onClick = (event) => {
      const el = event.target.closest('button[data-act]');
      if (!el || el.disabled) return;
      if (el.type === 'submit') return;
      send(el.dataset.act);
      // A press with the pointer leaves the keys free; a press by Tab and Enter keeps its place.
      if (event.detail > 0) el.blur();
    };
    // A form that was refused comes back drawn anew: what was typed stands in it again, but for what is secret.
    let sent = null;
    const fillAgain = () => {
      const form = sent && document.querySelector(`form[data-act="${CSS.escape(sent.act)}"]`);
      if (!form || form === sent.form || !form.closest('.plate')?.querySelector('[role="alert"]')) return;
      for (const el of form.elements) {
        if (!(el.name in sent.fields) || /^(password|file|hidden)$/.test(el.type)) continue;
        if (el.type === 'radio' || el.type === 'checkbox') el.checked = el.value === sent.fields[el.name];
        else el.value = sent.fields[el.name];
      }
      sent = { ...sent, form };
      form.querySelector('input[type="password"]')?.focus();
    };
    this.onSubmit = (event) => {
      const form = event.target.closest('form[data-act]');
      if (!form) return;
      event.preventDefault();
      const fields = Object.fromEntries(new FormData(form));
      sent = { form, act: form.dataset.act, fields };
      send((event.submitter && event.submitter.dataset.act) || form.dataset.act, fields);
    };
    // A form that wants to be heard while it is filled in, when the typing pauses.
    this.onInput = (event) => {
      const form = event.target.closest('form[data-live]');
      if (!form) return;
      clearTimeout(this.pause);
      this.pause = setTimeout(() => send(form.dataset.live, Object.fromEntries(new FormData(form))), 400);
    };
    // New content: take the field that asks for it, and keep the place of what had it before.
    let lastAct = null;
    this.onFocus = (event) => { lastAct = event.target.dataset ? event.target.dataset.act || null : null; };
    const takeFocus = () => {
      const wanted = document.querySelector('[data-focus]:not([data-had])');
      if (wanted) { wanted.dataset.had = 'yes'; wanted.focus(); return; }
      if (document.activeElement === document.body && lastAct) {
        const again = document.querySelector(`[data-act="${CSS.escape(lastAct)}"]`);
        if (again) again.focus(); else lastAct = null;
      }
    };
    this.watcher = new MutationObserver(() => { takeFocus(); fillAgain(); });
    addEventListener('keydown', this.onKey);
    document.addEventListener('click', this.onClick);
    document.addEventListener('submit', this.onSubmit);
    document.addEventListener('input', this.onInput);
    document.addEventListener('focusin', this.onFocus);
    document.addEventListener('pointerdown', () => { lastAct = null; });
    this.watcher.observe(document.body, { childList: true, subtree: true });
    takeFocus();
  },
  unmounted() {
    removeEventListener('keydown', this.onKey);
    document.removeEventListener('click', this.onClick);
    document.removeEventListener('submit', this.onSubmit);
    document.removeEventListener('input', this.onInput);
    clearTimeout(this.pause);
    document.removeEventListener('focusin', this.onFocus);
    this.watcher.disconnect();
  },
};
