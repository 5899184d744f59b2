// Lines keyed in the browser. What is typed stands in plain fields that nothing draws anew; all of
// it is sent with a number that counts changes, and sent again until the server says that number.

// Milliseconds: the pause after a key, the longest wait, the wait for the server's answer.
const PAUSE = 500, LONGEST = 2500, ANSWER = 3000, WARN = 5000;
const FORMS = new WeakMap();
// What was typed and is not confirmed, by document: a form drawn anew takes it up.
const OPEN = new Map();
// The cell that had the focus when a form was taken down, by document.
const PLACES = new Map();

export default function ({ data, parentElement, setStateValue }) {
  let form = FORMS.get(parentElement);
  if (!form || form.key !== data.key) {
    form?.end();
    form = new Form(parentElement, data);
    FORMS.set(parentElement, form);
  }
  form.send = (typed) => setStateValue("typed", typed);
  form.hear(data);
  return () => { form.end(); FORMS.delete(parentElement); };
}

function made(tag, given = {}, ...children) {
  const one = document.createElement(tag);
  for (const [name, value] of Object.entries(given)) {
    if (name === "text") one.textContent = value;
    else if (value !== undefined && value !== false) one.setAttribute(name, value === true ? "" : value);
  }
  one.append(...children);
  return one;
}

// Texts that stay are not set anew: each change makes the browser lay out the page.
function say(one, text) { if (one.textContent !== text) one.textContent = text; }

// A text of the page with values in the place of its names in braces.
function fill(text, named) { return text.replace(/\{(\w+)\}/g, (_, name) => named[name]); }

// Why a text does not fit its column, by the rule of the schema; empty where it fits.
function misfit(text, rule, said) {
  if (!text) return "";
  const fits = !rule.pattern || new RegExp(`^(?:${rule.pattern})$`, rule.any_case ? "i" : "").test(text);
  const number = Number(text);
  const inside = !rule.is_number || ((rule.low == null || number >= rule.low)
    && (rule.high == null || number <= rule.high) && (!rule.is_whole || Number.isInteger(number)));
  return fits && inside ? "" : `✗ ${fill(said.allowed, { rule: rule.words })}`;
}

class Form {
  constructor(parent, data) {
    this.key = data.key;
    this.most = data.most;
    this.doc = data.doc;
    this.texts = data.said;
    this.seq = this.sent = this.acked = data.seq;
    this.revision = data.revision;
    this.parts = [];
    this.origin = null;
    const open = OPEN.get(this.doc);
    const taken = open && open.revision === data.revision && open.seq > data.seq ? open : null;
    this.root = made("div", { class: "bm-keying" });
    this.hint = made("div", { class: "bm-key-hint", id: `hint-${this.key}` });
    this.notice = made("div", { class: "bm-key-notice", role: "status" });
    for (const spec of data.parts) this.add(spec, taken ? taken.lines[spec.name] : data.lines[spec.name]);
    this.after = made("span", { tabindex: "-1" });
    this.root.append(made("div", { class: "bm-key-bar" }, this.hint, this.notice), this.after);
    const listeners = {
      keydown: (event) => this.pressed(event), input: (event) => this.changed(event.target),
      paste: (event) => this.pasted(event), focusin: (event) => this.entered(event.target),
      focusout: (event) => this.left(event.target, event.relatedTarget), mousedown: (event) => this.chosen(event),
    };
    for (const [name, listener] of Object.entries(listeners)) this.root.addEventListener(name, listener);
    this.hide = () => this.flush();
    this.unload = (event) => { if (this.seq > this.acked && Date.now() - this.since > WARN) event.preventDefault(); };
    this.aside = (event) => this.pressedAside(event);
    window.addEventListener("keydown", this.aside, true);
    window.addEventListener("pagehide", this.hide);
    window.addEventListener("beforeunload", this.unload);
    parent.append(this.root);
    if (taken) { this.seq = taken.seq; this.plan(); }
    this.resume(PLACES.get(this.doc));
  }

  // Go on in the cell that had the focus, or beside a dialog that has it now.
  resume(place) {
    PLACES.delete(this.doc);
    const part = place && this.parts.find((one) => one.spec.name === place.part);
    const input = part && this.cell(part, place.line, place.place), active = document.activeElement;
    if (!input) return;
    if (active?.closest("[role=dialog]")) this.stolen = input;
    else if (!active || active === document.body) input.focus();
  }

  end() {
    this.flush();
    clearTimeout(this.again);
    const at = (this.stolen || (this.root.contains(document.activeElement) && document.activeElement))?.at;
    if (at) PLACES.set(this.doc, { part: at.part.spec.name, line: at.line, place: at.place });
    window.removeEventListener("keydown", this.aside, true);
    window.removeEventListener("pagehide", this.hide);
    window.removeEventListener("beforeunload", this.unload);
    this.root.remove();
  }

  // Drawing.

  add(spec, lines) {
    const part = { spec, rows: [], at: this.parts.length };
    this.parts.push(part);
    this.root.append(made("h2", { text: spec.title }));
    if (spec.caption) this.root.append(made("p", { class: "bm-key-caption", text: spec.caption }));
    if (spec.is_fields) { this.addFields(part, lines[0] || {}); return; }
    const heads = spec.columns.map((column) => made("th", { scope: "col", text: column.head }));
    if (spec.becomes) heads.push(made("th", { scope: "col", text: this.texts.becomes }));
    part.body = made("tbody");
    const table = made("table", {}, made("caption", { text: spec.label }),
      made("thead", {}, made("tr", {}, made("th", { scope: "col", text: spec.noun }), ...heads)), part.body);
    this.root.append(made("div", { class: "bm-key-table" }, table));
    for (const cells of lines) this.addLine(part, cells);
    this.addLine(part);
  }

  addFields(part, cells) {
    const fields = part.spec.columns.map((column, place) => [column, this.field(part, 0, column, place, cells)]);
    const labelled = ([column, input]) => made("label", {}, made("span", { text: column.label }), input);
    const shown = fields.filter(([column]) => !column.is_folded);
    const folded = fields.filter(([column]) => column.is_folded);
    this.root.append(made("div", { class: "bm-key-fields" }, ...shown.map(labelled)));
    if (folded.length) {
      const open = folded.some(([, input]) => input.value);
      this.root.append(made("details", { open }, made("summary", { text: part.spec.fold }),
        made("div", { class: "bm-key-fields" }, ...folded.map(labelled))));
    }
    part.rows.push({ inputs: fields.map(([, input]) => input), seq: 0 });
  }

  field(part, line, column, place, cells) {
    const name = part.spec.is_fields ? undefined : `${part.spec.noun} ${line + 1}, ${column.head}`;
    const input = made("input", {
      type: "text", autocomplete: "off", autocapitalize: "off", spellcheck: "false",
      inputmode: column.rule.is_whole ? "numeric" : column.rule.is_number ? "decimal" : undefined,
      "aria-label": name, "aria-describedby": this.hint.id, style: `width: ${column.width}ch`,
      placeholder: part.spec.is_fields ? column.placeholder : undefined,
    });
    input.value = cells[column.name] || "";
    input.at = { part, line, place, column };
    return input;
  }

  addLine(part, cells = {}) {
    const line = part.rows.length;
    const inputs = part.spec.columns.map((column, place) => this.field(part, line, column, place, cells));
    const state = made("span"), becomes = made("td", { class: "bm-key-becomes" });
    const row = made("tr", {}, made("th", { scope: "row" }, made("b", { text: `${line + 1} ` }), state),
      ...inputs.map((input) => made("td", {}, input)));
    if (part.spec.becomes) row.append(becomes);
    part.body.append(row);
    part.rows.push({ inputs, state, becomes, seq: 0 });
  }

  // What was typed goes to the server whole, so that no message depends on one before it.

  lines() {
    const texts = (row, columns) => Object.fromEntries(
      columns.map((column, place) => [column.name, row.inputs[place].value]).filter(([, text]) => text));
    return Object.fromEntries(this.parts.map(({ spec, rows }) =>
      [spec.name, rows.map((row) => texts(row, spec.columns))]));
  }

  changed(input) {
    const at = input?.at;
    if (!at) return;
    const row = at.part.rows[at.line];
    this.seq += 1;
    row.seq = this.seq;
    this.cycle = null;
    this.refusal = "";
    input.fault = "";
    if (row.state) say(row.state, "");
    if (input.hasAttribute("aria-invalid")) this.judge(input);
    if (at.part.body && at.line === at.part.rows.length - 1 && at.part.rows.length < this.most) this.addLine(at.part);
    this.advise(input);
    this.plan();
  }

  plan() {
    if (!this.since || this.acked >= this.seq - 1) this.since = Date.now();
    if (!this.first) this.first = Date.now();
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.flush(), Math.max(0, Math.min(PAUSE, this.first + LONGEST - Date.now())));
    this.said();
  }

  flush() {
    clearTimeout(this.timer);
    this.first = 0;
    if (this.seq <= this.sent) return;
    this.sent = this.seq;
    const typed = { seq: this.seq, lines: this.lines() };
    OPEN.set(this.doc, { ...typed, revision: this.revision });
    this.send(typed);
  }

  hear(data) {
    this.acked = data.seq;
    this.trouble = data.trouble;
    this.revision = data.revision;
    clearTimeout(this.again);
    if (this.acked >= this.seq) OPEN.delete(this.doc);
    else if (this.acked < this.sent) {
      this.again = setTimeout(() => { if (this.acked < this.sent) { this.sent = this.acked; this.flush(); } }, ANSWER);
    }
    for (const part of this.parts) {
      const beside = data.beside[part.spec.name];
      for (const [line, row] of part.rows.entries()) if (row.seq <= this.acked) this.mark(part, row, line + 1, beside);
    }
    const active = document.activeElement;
    if (active?.at && this.root.contains(active)) this.advise(active);
    this.said();
  }

  mark(part, row, number, beside) {
    const faults = beside.faults[number] || {};
    for (const input of row.inputs) { input.fault = faults[input.at.column.name] || ""; this.judge(input); }
    if (!row.state) return;
    say(row.state, beside.checks[number] || "");
    say(row.becomes, beside.becomes[number] || "");
  }

  said() {
    const waits = this.seq > this.acked;
    if (this.root.dataset.waits !== String(waits)) this.root.dataset.waits = waits;
    say(this.notice, this.refusal || this.trouble || (waits ? this.texts.sending : ""));
  }

  // Rules of a cell, and its words.

  judge(input) {
    const faulty = misfit(input.value.trim(), input.at.column.rule, this.texts) || input.fault;
    if (faulty && !input.hasAttribute("aria-invalid")) input.setAttribute("aria-invalid", "true");
    if (!faulty && input.hasAttribute("aria-invalid")) input.removeAttribute("aria-invalid");
    return faulty;
  }

  entered(input) {
    if (!input.at) return;
    const to = this.stolen;
    this.stolen = null;
    if (to && to !== input) { to.focus(); return; }
    this.refusal = "";
    this.advise(input);
    this.said();
  }

  left(input, next) {
    if (!input.at) return;
    const { rule } = input.at.column, text = input.value.trim().toLowerCase();
    const found = text && rule.closed.filter((word) => word.startsWith(text));
    if (found && found.length === 1 && found[0] !== text) { input.value = found[0]; this.changed(input); }
    this.judge(input);
    this.stolen = next?.closest?.("[role=dialog]") ? input : null;
    this.isWhole = input.selectionEnd > input.selectionStart;
    if (!this.root.contains(next)) this.flush();
  }

  matches(input, prefix) {
    const begins = (text) => text.toLowerCase().startsWith(prefix.trim().toLowerCase());
    return input.at.column.known.filter(([code, words]) => begins(code) || (words && begins(words)));
  }

  advise(input) {
    const { part, line, column } = input.at, faulty = this.judge(input);
    const where = part.spec.is_fields ? column.label : `${part.spec.noun} ${line + 1}, ${column.head}`;
    const known = this.matches(input, this.cycle?.input === input ? this.cycle.prefix : input.value).slice(0, 12);
    const said = [where, faulty, ...known.map(([code]) => code)].join("|");
    if (this.hint.said === said) return;
    this.hint.said = said;
    this.hint.replaceChildren(made("b", { text: `${where}: ` }), made("span", { text: column.words }));
    if (faulty) this.hint.append(made("strong", { text: ` ${faulty}` }));
    if (known.length) this.hint.append(` ${this.texts.known} `, ...known.map(([code, words]) =>
      made("button", { type: "button", tabindex: "-1", "data-code": code, text: words ? `${code} · ${words}` : code })));
  }

  chosen(event) {
    const code = event.target.dataset?.code, input = document.activeElement;
    if (code === undefined || !input?.at) return;
    event.preventDefault();
    input.value = code;
    this.changed(input);
  }

  complete(input) {
    const prefix = this.cycle?.input === input ? this.cycle.prefix : input.value;
    const next = this.cycle?.input === input ? this.cycle.next + 1 : 0;
    const found = this.matches(input, prefix);
    if (!found.length) return;
    input.value = found[next % found.length][0];
    this.changed(input);
    this.cycle = { input, prefix, next };
    this.advise(input);
  }

  // Keys. Each moves at once, before the next one comes.

  cell(part, line, place) {
    while (line >= part.rows.length && part.rows.length < this.most) this.addLine(part);
    return part.rows[line]?.inputs[place];
  }

  nextPart(part) {
    const next = this.parts[part.at + 1];
    return next ? this.cell(next, this.filled(next), 0) : this.after;
  }

  filled(part) { return part.rows.findLastIndex((row) => row.inputs.some((input) => input.value.trim())) + 1; }

  pressed(event) {
    const input = event.target, at = input.at;
    if (!at || event.isComposing) return;
    const isHeld = event.ctrlKey || event.metaKey;
    const to = isHeld ? this.heldKey(event, at, input) : event.altKey ? undefined : this.plainKey(event, at, input);
    if (to === undefined) return;
    event.preventDefault();
    if (!to) return;
    to.focus();
    to.select?.();
  }

  // Where a key goes; null for nowhere, undefined where the key is the field's own.
  heldKey(event, at, input) {
    if (event.key === "Enter") return this.under(at, input, event.shiftKey);
    if (event.key !== " ") return undefined;
    this.complete(input);
    return null;
  }

  plainKey(event, { part, line, place }, input) {
    const whole = input.selectionStart === 0 && input.selectionEnd === input.value.length;
    const caret = whole || input.selectionStart === input.selectionEnd;
    const fields = part.spec.is_fields, step = fields ? 0 : 1;
    switch (event.key) {
      case "Enter":
        if (fields) return this.nextField(part, place);
        if (part.rows[line].inputs.some((one) => one.value.trim())) return this.cell(part, line + 1, 0) || null;
        this.refusal = this.texts.empty;
        this.said();
        return null;
      case "ArrowDown": return fields ? this.nextField(part, place) : this.cell(part, line + 1, place);
      case "ArrowUp": return line ? this.cell(part, line - 1, place) : null;
      case "ArrowRight":
        return caret && input.selectionEnd === input.value.length ? this.cell(part, line, place + 1) || null : undefined;
      case "ArrowLeft": return caret && input.selectionStart === 0 ? this.cell(part, line, place - 1) || null : undefined;
      case "Escape": return this.back(part, line) || this.nextPart(part);
      default: return undefined;
    }
  }

  // A dialog that nobody asked for, as where the server cannot be reached, takes the focus from one
  // who types without looking: keys still go to the form. Escape, and a field of its own, are its.
  pressedAside(event) {
    const input = this.stolen, active = document.activeElement;
    if (!input || !active?.closest("[role=dialog]") || event.key === "Escape" || /^(INPUT|TEXTAREA)$/.test(active.tagName)) return;
    const isHeld = event.ctrlKey || event.metaKey, isText = event.key.length === 1 && !isHeld && !event.altKey;
    let to;
    if (isText || event.key === "Backspace" || event.key === "Delete") {
      const kept = this.isWhole ? "" : input.value;
      input.value = isText ? kept + event.key : kept.slice(0, -1);
      this.isWhole = false;
      this.changed(input);
    } else if (event.key === "Tab") {
      const all = [...this.root.querySelectorAll("input")];
      to = all[all.indexOf(input) + (event.shiftKey ? -1 : 1)];
    } else to = isHeld ? this.heldKey(event, input.at, input) : this.plainKey(event, input.at, input);
    if (to === undefined && !isText && event.key.length > 1 && !/^(Tab|Backspace|Delete)$/.test(event.key)) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    if (!to?.at) return;
    this.left(input, to);
    this.stolen = to;
    this.isWhole = true;
  }

  nextField(part, place) {
    const next = part.rows[0].inputs.slice(place + 1).find((one) => one.checkVisibility());
    return next || this.nextPart(part);
  }

  isOnlyLinked(part, line) {
    return part.rows[line]?.inputs.every((one) => one.at.column.name === part.spec.link || !one.value.trim());
  }

  // A new line of fish, or of other species, that names the boat of this line.
  under({ part, line }, input, isSecond) {
    const linked = this.parts.filter((one) => one.spec.link);
    if (!linked.length || part.spec.is_fields) return null;
    const link = part.spec.link && part.spec.columns.findIndex((one) => one.name === part.spec.link);
    const boat = part.spec.link ? part.rows[line].inputs[link].value : String(line + 1);
    if (!part.spec.link) this.origin = input;
    const to = isSecond ? linked[linked.length - 1] : part.spec.link ? part : linked[0];
    let at = this.filled(to);
    if (at && this.isOnlyLinked(to, at - 1)) at -= 1;
    const first = this.cell(to, at, to.spec.columns.findIndex((one) => one.name === to.spec.link));
    if (!first) return null;
    first.value = boat;
    this.changed(first);
    return to.rows[at].inputs.find((one) => one !== first);
  }

  back(part, line) {
    const to = part.spec.link ? this.origin : null;
    this.origin = null;
    if (to && this.isOnlyLinked(part, line)) {
      for (const one of part.rows[line].inputs) one.value = "";
      this.changed(part.rows[line].inputs[0]);
    }
    return to;
  }

  // A block from a spreadsheet goes into the cells from here on, whole or not at all.
  pasted(event) {
    const at = event.target.at, text = event.clipboardData?.getData("text/plain") || "";
    if (!at || at.part.spec.is_fields || !/[\t\n]/.test(text.trimEnd())) return;
    event.preventDefault();
    const block = text.replace(/\r\n?/g, "\n").replace(/\n$/, "").split("\n").map((one) => one.split("\t"));
    const wide = Math.max(...block.map((one) => one.length)), space = at.part.spec.columns.length - at.place;
    if (at.line + block.length > this.most || wide > space) {
      this.refusal = wide > space
        ? fill(this.texts.wide, { wide, space })
        : fill(this.texts.long, { lines: block.length, most: this.most });
      this.said();
      return;
    }
    block.forEach((texts, down) => texts.forEach((one, right) => {
      const input = this.cell(at.part, at.line + down, at.place + right);
      input.value = one.trim();
      this.changed(input);
      this.judge(input);
    }));
  }
}
