// The map's drawing: a view of the network, its shapes as paths, its names where they cover nothing.
const MARK = 5; // half the width of a mark's symbol
const SVG = "http://www.w3.org/2000/svg";
const MOST_NAMES = 220;

function shape(tag, attributes, text) {
  const node = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  if (text !== undefined) node.textContent = text;
  return node;
}

const near = (v) => Math.round(v * 10) / 10;
const triangle = (x, y, r) => `M${near(x)} ${near(y - r)}l${r} ${2 * r}h${-2 * r}z`;
const square = (x, y, r) => `M${near(x - r)} ${near(y - r)}h${2 * r}v${2 * r}h${-2 * r}z`;
const ring = (x, y, r) => `M${near(x - r)} ${near(y)}a${r} ${r} 0 1 0 ${2 * r} 0a${r} ${r} 0 1 0 ${-2 * r} 0z`;
const SUPPORT = {
  tribrach: (x, y, r) => `M${near(x)} ${near(y + r)}l${r} ${-2 * r}h${-2 * r}z`,
  stand: square,
  pole: (x, y, r) => `M${near(x)} ${near(y - r - 0.5)}v${2 * r + 1}`,
  bolt: (x, y, r) => `M${near(x)} ${near(y - r)}l${r} ${r}l${-r} ${r}l${-r} ${-r}z`,
  adhesive: (x, y, r) => `M${near(x - r)} ${near(y - r)}l${2 * r} ${2 * r}m0 ${-2 * r}l${-2 * r} ${2 * r}`,
};
const CONTROL = [ring, triangle, triangle];
const CONTROL_CLASS = ["m-new", "m-weighted", "m-held"];

// The largest of 1, 2, 5 times a power of ten that is not above a value.
function nice(value) {
  const power = 10 ** Math.floor(Math.log10(value) + 1e-12);
  return [5, 2, 1].map((f) => f * power).find((v) => v <= value * (1 + 1e-9));
}

class View {
  constructor(map) {
    this.map = map;
    this.places = map.names.map((_, i) => i).filter((i) => map.x[i] !== null);
    this.stood = new Map(); // mark → kinds of support that stood on it, and whether a setup there is flagged
    const { mark, support, flagged, instrument } = map.setups;
    mark.forEach((m, s) => this.stood.set(m, (this.stood.get(m) || new Set()).add(support[s])));
    this.wrong = new Set([...map.wrong, ...flagged.map((s) => mark[s])]);
    this.instruments = new Set(instrument.map((s) => mark[s]));
    this.unchecked = new Set(map.unchecked);
    this.flaggedSights = new Set(map.sights.flagged);
    this.enlarged = map.enlarged;
    this.layers = { sights: true, ellipses: true, setups: true, names: true };
    this.chosen = null;
    this.widths = new Map();
    this.pen = document.createElement("canvas").getContext("2d");
    this.pen.font = '600 11.5px system-ui, "Segoe UI", "Liberation Sans", Arial, sans-serif';
    const xs = this.places.map((i) => map.x[i]);
    const ys = this.places.map((i) => map.y[i]);
    const low = (v) => v.reduce((a, b) => Math.min(a, b), Infinity);
    const high = (v) => v.reduce((a, b) => Math.max(a, b), -Infinity);
    this.box = [low(xs), low(ys), high(xs), high(ys)];
  }

  // Everything within a picture of this size.
  fit(width, height) {
    const [x1, y1, x2, y2] = this.box;
    const side = Math.min(90, width / 7);
    this.k = Math.min((width - 2 * side) / Math.max(x2 - x1, 1e-3), (height - 100) / Math.max(y2 - y1, 1e-3), 4000);
    this.x = (x1 + x2) / 2;
    this.y = (y1 + y2) / 2;
    this.least = this.k / 4;
    this.most = Math.max(this.k * 400, 50);
  }

  size(width, height) { this.width = width; this.height = height; }
  toX(x) { return this.width / 2 + (x - this.x) * this.k; }
  toY(y) { return this.height / 2 - (y - this.y) * this.k; }
  at(i) { return [this.toX(this.map.x[i]), this.toY(this.map.y[i])]; }

  // Draws what lies in the picture and half a picture around it, so that it can be moved before it is drawn again.
  draw(svg) {
    const { map } = this;
    const [padX, padY] = [this.width / 2, this.height / 2];
    const inside = (x, y) => x > -padX && x < this.width + padX && y > -padY && y < this.height + padY;
    const X = new Float64Array(map.names.length), Y = new Float64Array(map.names.length);
    for (const i of this.places) [X[i], Y[i]] = this.at(i);
    this.X = X; this.Y = Y;
    this.seen = this.places.filter((i) => inside(X[i], Y[i]));
    const all = this.seen.length;
    const r = all > 1500 ? 2 : all > 400 ? 3 : MARK;
    const root = shape("g", {});
    const add = (name, d) => { if (d) root.append(shape("path", { class: name, d })); };
    const lines = this.lines(padX, padY);
    add("m-grid", lines.grid);
    if (this.layers.sights) { add("m-sight", lines.sights); add("m-flagged", lines.flagged); }
    if (this.chosen) add("m-chosen", this.chosenPath());
    const drawn = this.layers.ellipses ? this.ellipses() : { d: "", reach: new Map() };
    add(map.profile ? "m-bar" : "m-ellipse", drawn.d);
    const rings = [], wrong = [], loose = [], marks = ["", "", ""];
    for (const i of this.seen) {
      if (r === MARK && this.layers.setups && this.instruments.has(i)) rings.push(ring(X[i], Y[i], MARK + 3));
      if (r === MARK && this.unchecked.has(i)) loose.push(ring(X[i], Y[i], r + 5));
      if (this.wrong.has(i)) wrong.push(square(X[i], Y[i], r + 5));
      marks[map.control[i]] += CONTROL[map.control[i]](X[i], Y[i], r);
    }
    add("m-ring", rings.join(""));
    add("m-unchecked", loose.join(""));
    add("m-wrong", wrong.join(""));
    marks.forEach((d, c) => add(CONTROL_CLASS[c], d));
    if (this.layers.names) this.names(root, r, drawn.reach, r === MARK && this.layers.setups);
    (map.lines || []).forEach(([y, words]) => root.append(shape("text", { class: "soft", x: 4, y: near(this.toY(y) - 3) }, words)));
    svg.replaceChildren(root);
    this.root = root;
  }

  lines(padX, padY) {
    const { map, X, Y } = this;
    let sights = "", flagged = "", grid = "";
    const { a, b } = map.sights;
    for (let s = 0; s < a.length; s++) {
      const [x1, y1, x2, y2] = [X[a[s]], Y[a[s]], X[b[s]], Y[b[s]]];
      if (Math.max(x1, x2) < -padX || Math.min(x1, x2) > this.width + padX || Math.max(y1, y2) < -padY || Math.min(y1, y2) > this.height + padY) continue;
      const d = `M${near(x1)} ${near(y1)}L${near(x2)} ${near(y2)}`;
      if (this.flaggedSights.has(s)) flagged += d; else sights += d;
    }
    for (const [y] of map.lines || []) grid += `M${-padX} ${near(this.toY(y))}H${this.width + padX}`;
    return { sights, flagged, grid };
  }

  // Ellipses (of a profile: bars) where they are large enough to be seen; how far each reaches from its mark.
  ellipses() {
    const { map, X, Y } = this;
    const factor = map.perMetre * this.k * this.enlarged;
    const reach = new Map();
    let d = "";
    for (const i of this.seen) {
      const a = map.major[i] * factor;
      if (!(a > 1)) continue;
      const [x, y] = [X[i], Y[i]];
      if (map.profile) {
        d += `M${near(x)} ${near(y - a)}V${near(y + a)}M${near(x - 4)} ${near(y - a)}h8M${near(x - 4)} ${near(y + a)}h8`;
        reach.set(i, [4, a]);
        continue;
      }
      const b = Math.max(map.minor[i] * factor, 0.3);
      const [ux, uy] = [Math.sin(map.azimuth[i]), -Math.cos(map.azimuth[i])];
      const turn = near(Math.atan2(uy, ux) * 180 / Math.PI);
      const arc = `A${near(a)} ${near(b)} ${turn} 1 0 `;
      d += `M${near(x - a * ux)} ${near(y - a * uy)}${arc}${near(x + a * ux)} ${near(y + a * uy)}${arc}${near(x - a * ux)} ${near(y - a * uy)}z`;
      reach.set(i, [Math.hypot(a * ux, b * uy), Math.hypot(a * uy, b * ux)]);
    }
    return { d, reach };
  }

  // Names, those that matter first, each in one of eight places around its mark where it covers no other and no mark.
  names(root, r, reach, withSetups) {
    const { map, X, Y } = this;
    const cells = new Map();
    const near2 = (box) => {
      const found = [];
      for (let cx = Math.floor(box[0] / 64); cx <= Math.floor(box[2] / 64); cx++) {
        for (let cy = Math.floor(box[1] / 64); cy <= Math.floor(box[3] / 64); cy++) found.push([cx * 65536 + cy]);
      }
      return found;
    };
    const put = (box) => near2(box).forEach(([c]) => (cells.get(c) || cells.set(c, []).get(c)).push(box));
    const free = (box) => near2(box).every(([c]) => (cells.get(c) || []).every((o) => o[2] < box[0] || o[0] > box[2] || o[3] < box[1] || o[1] > box[3]));
    for (const i of this.seen) put([X[i] - r, Y[i] - r, X[i] + r, Y[i] + r]);
    const rank = (i) => (this.wrong.has(i) ? 0 : this.unchecked.has(i) ? 1 : map.control[i] ? 2 : 3);
    const symbols = {};
    let count = 0;
    for (const i of [...this.seen].sort((p, q) => rank(p) - rank(q) || p - q)) {
      if (count >= MOST_NAMES) break;
      const sign = this.wrong.has(i) ? " !" : "";
      const query = this.unchecked.has(i) ? " ?" : "";
      const name = map.names[i].length > 24 ? `${map.names[i].slice(0, 23)}…` : map.names[i];
      const words = name + sign + query;
      const kinds = withSetups ? [...(this.stood.get(i) || [])] : [];
      const w = Math.max(this.widthOf(words), 11 * kinds.length), h = 12 + (kinds.length ? 10 : 0);
      const [rx, ry] = reach.get(i) || [0, 0];
      const least = r + (sign || query ? 9 : withSetups && this.instruments.has(i) ? 6 : 4);
      const place = this.free([X[i], Y[i]], w, h, Math.min(Math.max(least, rx + 3), 40), Math.min(Math.max(least, ry + 3), 40), least, free);
      if (!place) continue;
      put([place[0] - 2, place[1], place[0] + w + 2, place[1] + h]);
      const look = this.wrong.has(i) ? " bad" : this.unchecked.has(i) ? " watch" : "";
      root.append(shape("text", { class: `name${look}`, x: near(place[0]), y: near(place[1] + 10) }, words));
      kinds.forEach((k, n) => { symbols[k] = (symbols[k] || "") + SUPPORT[map.supports[k]](place[0] + 5 + 11 * n, place[1] + 17, 3.5); });
      count++;
    }
    for (const [k, d] of Object.entries(symbols)) root.append(shape("path", { class: `s-${map.supports[k]}`, d }));
  }

  free([x, y], w, h, a, b, least, isFree) {
    for (const [p, q] of [[a, b], [least, least]]) {
      const c = 0.75 * p, e = 0.75 * q;
      const tries = [[x + p, y - h / 2], [x + c, y - e - h], [x + c, y + e], [x - p - w, y - h / 2], [x - c - w, y - e - h], [x - c - w, y + e], [x - w / 2, y - q - h], [x - w / 2, y + q]];
      for (const [left, top] of tries) if (isFree([left - 2, top, left + w + 2, top + h])) return [left, top];
    }
    return null;
  }

  widthOf(words) {
    if (!this.widths.has(words)) this.widths.set(words, this.pen.measureText(words).width);
    return this.widths.get(words);
  }

  chosenPath() {
    const { X, Y } = this;
    const [a, b] = this.chosen;
    return b === undefined || a === b ? ring(X[a], Y[a], MARK + 7) : `M${near(X[a])} ${near(Y[a])}L${near(X[b])} ${near(Y[b])}`;
  }

  // What lies at a point of the picture: a mark within 12 pixels, else a sight within 6.
  hit(px, py) {
    const { map, X, Y } = this;
    let best = 12, found = null;
    for (const i of this.seen) {
      const d = Math.hypot(X[i] - px, Y[i] - py);
      if (d < best) { best = d; found = { mark: i }; }
    }
    if (found || !this.layers.sights) return found;
    best = 6;
    const { a, b } = map.sights;
    for (let s = 0; s < a.length; s++) {
      const [x1, y1] = [X[a[s]], Y[a[s]]];
      const [dx, dy] = [X[b[s]] - x1, Y[b[s]] - y1];
      const length = dx * dx + dy * dy;
      const t = length ? Math.max(0, Math.min(1, ((px - x1) * dx + (py - y1) * dy) / length)) : 0;
      const d = Math.hypot(px - x1 - t * dx, py - y1 - t * dy);
      if (d < best) { best = d; found = { sight: s }; }
    }
    return found;
  }
}
