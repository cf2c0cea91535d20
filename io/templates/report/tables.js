// Tables: sort, filter, copy, download, pages of rows.
const data = JSON.parse(document.getElementById("page-data").textContent);
const grids = {};
const PAGE_SIZES = [25, 100, 400];

function make(tag, attributes, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes || {})) {
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (value !== false && value !== undefined) node.setAttribute(name, value === true ? "" : value);
  }
  node.append(...children);
  return node;
}

function icon(d) {
  const svg = shape("svg", { viewBox: "0 0 16 16", "aria-hidden": "true" });
  svg.append(shape("path", { d }));
  return svg;
}

// The number a cell stands for: 12.3, -4-05-06.7 (degrees, minutes, seconds), "over 1000 : 1"; NaN for none.
function numberOf(text) {
  if (text === "none") return Infinity;
  const dms = /^(-?)(\d+)-(\d\d)-(\d\d(?:\.\d+)?)$/.exec(text);
  if (dms) return (dms[1] ? -1 : 1) * (+dms[2] + dms[3] / 60 + dms[4] / 3600);
  return text === "" ? NaN : parseFloat(text.replace(/[\s\u00a0]/g, ""));
}

class Grid {
  constructor(box) {
    this.box = box;
    this.key = box.dataset.key;
    this.about = data.grids[this.key];
    this.count = +box.dataset.rows;
    this.table = box.querySelector("table");
    this.heads = [...this.table.tHead.rows[0].cells];
    this.body = this.table.tBodies[0];
    this.marks = this.about.marks || [];
    this.paged = !!this.about.columns;
    this.sorted = { column: -1, down: false };
    this.words = "";
    this.only = false;
    this.pair = null;
    this.page = 0;
    this.size = PAGE_SIZES[0];
    if (this.paged) {
      this.columns = this.about.columns.map((c) => (c.words ? c.at.map((i) => c.words[i]) : c.split("\n")));
      this.wrong = new Set(this.about.flagged);
      this.body.classList.add("still-rows");
      this.live = this.table.appendChild(make("tbody", { class: "live-rows" }));
    } else {
      this.rows = [...this.body.rows];
      this.columns = this.heads.map((_, c) => this.rows.map((r) => r.cells[c].textContent.replace(/\n$/, "")));
      this.wrong = new Set(this.rows.flatMap((r, i) => (r.className ? [i] : [])));
    }
    this.order = this.all = Array.from({ length: this.count }, (_, i) => i);
    if (this.count > 1) this.addSorting();
    this.addTools();
    this.show();
  }

  addSorting() {
    this.heads.forEach((head, c) => {
      const button = make("button", { type: "button", class: "sort", onclick: () => this.sort(c) });
      head.dataset.words = head.textContent.trim(); // print.css: a heading that is repeated is printed without its button
      button.append(...head.childNodes);
      head.append(button);
      head.setAttribute("aria-sort", "none");
    });
  }

  addTools() {
    const long = this.count > 8;
    const bar = make("div", { class: "tools" });
    if (long) {
      this.find = make("input", { type: "search", class: "find", placeholder: "filter: words of a row", "aria-label": `Filter ${this.about.title}` });
      this.find.addEventListener("input", () => this.filter(this.find.value));
      bar.append(this.find);
      if (this.wrong.size) {
        const box = make("input", { type: "checkbox", class: "only", onchange: () => { this.only = box.checked; this.page = 0; this.show(); } });
        bar.append(make("label", {}, box, `only the ${this.wrong.size} marked`));
        this.box.onlyBox = box;
      }
      this.chip = make("button", { type: "button", class: "chip", hidden: true, onclick: () => this.between(null) });
      bar.append(this.chip);
    }
    this.told = make("span", { class: "count", role: "status" });
    if (long) bar.append(this.told);
    this.back = make("button", { type: "button", "aria-label": "Rows before", onclick: () => this.turn(-1) }, "‹");
    this.next = make("button", { type: "button", "aria-label": "Rows after", onclick: () => this.turn(1) }, "›");
    this.sizes = make("select", { "aria-label": "Rows at a time", onchange: () => { this.size = +this.sizes.value; this.page = 0; this.show(); } });
    PAGE_SIZES.forEach((n) => this.sizes.append(make("option", { value: n }, `${n} rows`)));
    if (this.count > PAGE_SIZES[0]) bar.append(this.back, this.next, this.sizes);
    if (this.count > 1 || long) {
      bar.append(
        make("button", { type: "button", class: "push copy", onclick: (e) => copyText(this.text("\t"), e.currentTarget) }, "Copy"),
        make("button", { type: "button", class: "csv", onclick: () => this.save() }, "CSV"),
      );
    }
    this.box.prepend(bar);
  }

  sort(column) {
    const s = this.sorted;
    if (s.column !== column) this.sorted = { column, down: this.sized(column) };
    else if (!s.turned) this.sorted = { column, down: !s.down, turned: true };
    else this.sorted = { column: -1, down: false };
    this.heads.forEach((h, c) => h.setAttribute("aria-sort", c !== this.sorted.column ? "none" : this.sorted.down ? "descending" : "ascending"));
    this.page = 0;
    this.show();
  }

  // Columns of which the size counts, not the sign: the largest first.
  sized(column) { return this.about.numbers[column] && /^(w\b|standardized|residual|misfit)/.test(this.about.heads[column]); }

  filter(words) { this.words = words; this.page = 0; this.show(); }

  // Only the rows of a sight between two marks (or of one mark); null for all.
  between(pair) {
    this.pair = pair;
    this.page = 0;
    if (this.chip) {
      this.chip.hidden = !pair;
      if (pair) this.chip.textContent = `${pair.map((m) => data.map.names[m]).join(" – ")} ✕`;
    }
    this.show();
  }

  chosen() {
    const words = this.words.toLowerCase().split(/\s+/).filter(Boolean);
    const [a, b] = this.marks;
    const joins = (i) => {
      if (!this.pair) return true;
      const [p, q] = this.pair;
      if (q === undefined) return a[i] === p || (b && b[i] === p);
      return b && ((a[i] === p && b[i] === q) || (a[i] === q && b[i] === p));
    };
    let rows = this.all;
    if (words.length || this.only || this.pair) {
      rows = rows.filter((i) => {
        if ((this.only && !this.wrong.has(i)) || !joins(i)) return false;
        if (!words.length) return true;
        const text = this.columns.map((c) => c[i]).join("\u0001").toLowerCase();
        return words.every((w) => text.includes(w));
      });
    }
    const { column, down } = this.sorted;
    if (column < 0) return rows;
    const cells = this.columns[column];
    const size = this.sized(column);
    const keys = this.about.numbers[column] ? cells.map(numberOf).map((v) => (size ? Math.abs(v) : v)) : null;
    const compare = keys
      ? (i, j) => {
        const [p, q] = [keys[i], keys[j]];
        if (isNaN(p) || isNaN(q)) return isNaN(p) - isNaN(q); // blanks stand last either way
        return (down ? -1 : 1) * (p === q ? 0 : p < q ? -1 : 1);
      }
      : (i, j) => (down ? -1 : 1) * cells[i].localeCompare(cells[j], "en", { numeric: true });
    return [...rows].sort((i, j) => compare(i, j) || i - j);
  }

  show() {
    this.fold();
    const order = (this.order = this.chosen());
    const pages = Math.max(1, Math.ceil(order.length / this.size));
    this.page = Math.min(this.page, pages - 1);
    const from = this.page * this.size;
    const seen = order.slice(from, from + this.size);
    if (this.paged) this.live.replaceChildren(...seen.map((i) => this.row(i)));
    else {
      const there = new Set(seen);
      this.rows.forEach((r, i) => r.classList.toggle("off", !there.has(i)));
      if (this.sorted.column >= 0 || this.moved) {
        const left = new Set(order);
        this.body.append(...[...order, ...this.all.filter((i) => !left.has(i))].map((i) => this.rows[i]));
        this.moved = true;
      }
      seen.forEach((i) => { this.addPlace(this.rows[i], i); this.addUnfold(this.rows[i], i); });
    }
    const of = order.length === this.count ? "" : ` (of ${this.count})`;
    this.told.textContent = order.length > this.size ? `${from + 1}–${from + seen.length} of ${order.length} rows${of}` : `${order.length} rows${of}`;
    this.back.disabled = this.page === 0;
    this.next.disabled = this.page >= pages - 1;
  }

  turn(step) { this.page += step; this.show(); }

  row(i) {
    const row = make("tr", { class: this.wrong.has(i) ? this.about.band : false });
    row.append(...this.columns.map((c, k) => make(k ? "td" : "th", k ? {} : { scope: "row" }, c[i])));
    this.addPlace(row, i);
    this.addUnfold(row, i);
    return row;
  }

  // A button behind the first cell that shows the row on the map.
  addPlace(row, i) {
    if (!this.marks.length || !data.map || row.querySelector(".place")) return;
    const ends = this.marks.map((m) => m[i]);
    if (ends.some((m) => m < 0 || data.map.x[m] === null)) return;
    const name = this.columns[0][i];
    row.cells[0].append(make("button", {
      type: "button", class: "place", title: "on the map", "aria-label": `${name} on the map`,
      onclick: () => { this.choose(row); goTo("map"); if (theMap) theMap.show(ends, this.key === "setups" ? name : ""); },
    }, icon("M8 1v4M8 11v4M1 8h4M11 8h4M4 8a4 4 0 1 0 8 0a4 4 0 1 0 -8 0z")));
  }

  // A button that unfolds what is behind a row: for the residuals, from the reading to its residual.
  addUnfold(row, i) {
    const at = this.key === "residuals" && data.explained ? data.explained.rows.indexOf(i) : -1;
    if (at < 0 || row.querySelector(".unfold")) return;
    const button = make("button", {
      type: "button", class: "unfold", "aria-expanded": "false", title: "from reading to residual", "aria-label": `${this.columns[0][i]} explained`,
      onclick: async () => {
        const open = button.getAttribute("aria-expanded") === "true";
        if (open) row.nextSibling.remove();
        else {
          const cell = make("td", { colspan: this.heads.length }, ...(await explained())[at].flatMap(sectionOf));
          if (button.getAttribute("aria-expanded") === "false") row.after(make("tr", { class: "unfolded" }, cell));
        }
        button.setAttribute("aria-expanded", String(!open));
      },
    }, icon("M5 3l6 5l-6 5z"));
    row.cells[0].append(button);
  }

  fold() {
    this.table.querySelectorAll("tr.unfolded").forEach((r) => r.remove());
    this.table.querySelectorAll("button.unfold").forEach((b) => { b.setAttribute("aria-expanded", "false"); });
  }

  choose(row) {
    this.table.querySelectorAll("tr.chosen").forEach((r) => r.classList.remove("chosen"));
    row.classList.add("chosen");
  }

  // All rows that pass the filter, in their order.
  text(separator) {
    const comma = separator === ",";
    const cell = (text) => (comma ? (/[",\n\r]/.test(text) ? `"${text.replace(/"/g, '""')}"` : text) : text.replace(/[\t\n\r]/g, " "));
    const guarded = (text, c) => (!this.about.numbers[c] && /^[=+\-@]/.test(text) ? `'${text}` : text);
    const lines = [this.about.heads.map(cell)];
    for (const i of this.order) lines.push(this.columns.map((column, c) => cell(guarded(column[i], c))));
    return lines.map((l) => l.join(separator)).join("\n") + "\n";
  }

  save() {
    const link = make("a", { href: URL.createObjectURL(new Blob([this.text(",")], { type: "text/csv" })), download: `${this.key}.csv` });
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  }
}

// The explanations, unpacked when the first is asked for.
let unpacked = null;
function explained() {
  if (!unpacked) {
    const bytes = Uint8Array.from(atob(data.explained.packed), (c) => c.charCodeAt(0));
    unpacked = new Response(new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"))).json();
  }
  return unpacked;
}

const SIGNS = { ok: "✓", flagged: "✗", watch: "!", "": "" };

// A section of words: its table, where it has headings, and its sentences.
function sectionOf([title, heads, rows]) {
  const tabled = rows.filter((r) => heads.length && r.length === heads.length + 1);
  const said = rows.filter((r) => !tabled.includes(r));
  const out = title ? [make("h4", {}, title)] : [];
  const figure = heads.map((_, c) => tabled.every((r) => /^[+-]?[\d.]*$/.test(r[c + 1])));
  if (tabled.length) {
    const cells = (tag, words) => words.map((w, c) => make(tag, { scope: tag === "th" ? "col" : false, class: figure[c] ? "n" : false }, w));
    const body = tabled.map((r) => make("tr", { class: r[0] === "flagged" ? "flag" : false }, ...cells("td", r.slice(1))));
    out.push(make("table", { class: "narrow" }, make("thead", {}, make("tr", {}, ...cells("th", heads))), make("tbody", {}, ...body)));
  }
  if (said.length) out.push(make("ul", { class: "told" }, ...said.map(([sign, ...words]) => make("li", { class: sign }, make("span", { class: "sign" }, SIGNS[sign]), words.join(" ")))));
  return out;
}

// Copies a text and says so on the button.
async function copyText(text, button) {
  const was = button.textContent;
  let done = false;
  try {
    await navigator.clipboard.writeText(text);
    done = true;
  } catch {
    const area = document.body.appendChild(make("textarea", { class: "hidden" }));
    area.value = text;
    area.select();
    done = document.execCommand("copy");
    area.remove();
  }
  button.textContent = done ? "Copied" : "Not copied";
  setTimeout(() => { button.textContent = was; }, 1500);
}

// To a section, with the browser's own way back.
function goTo(id) {
  const node = document.getElementById(id);
  try {
    if (location.hash !== `#${id}`) history.pushState(null, "", `#${id}`);
  } catch { /* a browser that keeps no history of local files */ }
  node.scrollIntoView({ block: "start", behavior: matchMedia("(prefers-reduced-motion: reduce)").matches ? "auto" : "smooth" });
}
