// The live map: move, zoom, enlarge ellipses, point at things, go to their rows.
const STEPS = [];
for (let power = 1; power <= 1e6; power *= 10) STEPS.push(power, 2 * power, 5 * power);

class LiveMap {
  constructor(box, map) {
    this.map = map;
    this.view = new View(map);
    this.svg = shape("svg", {
      class: "live", tabindex: "0", role: "application",
      "aria-label": "Map of the network. Arrow keys move, plus and minus zoom, 0 shows all, N and P go from mark to mark, Enter shows the rows of what is chosen.",
    });
    // The network is a picture of its own below the one that listens: moving it costs no drawing.
    this.picture = shape("svg", { class: "picture live", "aria-hidden": "true" });
    this.layer = this.picture.appendChild(shape("g", {}));
    this.scale = this.svg.appendChild(shape("g", { "aria-hidden": "true" }));
    this.told = make("p", { class: "told", role: "status" });
    box.append(this.tools(), make("div", { class: "frame" }, this.picture, this.svg), this.told, this.legend());
    this.say(null);
    new ResizeObserver(() => this.resize()).observe(this.svg);
    this.resize(true);
    this.listen();
  }

  tools() {
    const bar = make("div", { class: "tools" });
    const button = (words, label, action) => make("button", { type: "button", "aria-label": label, title: label, onclick: action }, words);
    bar.append(
      button("+", "Zoom in", () => this.zoom(1.5)),
      button("−", "Zoom out", () => this.zoom(1 / 1.5)),
      button("All", "Show the whole network", () => { this.view.fit(this.width, this.height); this.draw(); }),
    );
    const what = this.map.profile ? "bars" : "ellipses";
    const start = STEPS.reduce((best, v, i) => (Math.abs(Math.log(v / this.map.enlarged)) < Math.abs(Math.log(STEPS[best] / this.map.enlarged)) ? i : best), 0);
    this.slider = make("input", { type: "range", id: "enlarge", min: 0, max: STEPS.length - 1, step: 1, value: start });
    this.slider.addEventListener("input", () => this.enlarge());
    this.factor = make("output", { for: "enlarge" });
    bar.append(make("label", {}, `${what} enlarged`, this.slider), this.factor);
    const layers = { sights: "sights", ellipses: what, setups: "setups", names: "names" };
    if (!this.map.setups.mark.length) delete layers.setups;
    for (const [name, words] of Object.entries(layers)) {
      const tick = make("input", { type: "checkbox", checked: true, "data-layer": name, onchange: () => { this.view.layers[name] = tick.checked; this.draw(); } });
      bar.append(make("label", {}, tick, words));
    }
    this.view.enlarged = STEPS[start];
    this.factor.textContent = `${STEPS[start]} ×`;
    this.slider.setAttribute("aria-valuetext", `${STEPS[start]} times`);
    return bar;
  }

  legend() {
    const { map, view } = this;
    const list = make("div", { class: "legend", "aria-label": "Legend" });
    const entry = (words, ...shapes) => {
      const svg = shape("svg", { viewBox: "-10 -8 20 16", "aria-hidden": "true" });
      shapes.forEach(([name, d]) => svg.append(shape("path", { class: name, d })));
      list.append(make("span", {}, svg, words));
    };
    [["new mark", 0], ["weighted", 1], ["held", 2]].forEach(([words, c]) => { if (map.control.includes(c)) entry(words, [CONTROL_CLASS[c], CONTROL[c](0, 0, MARK)]); });
    if (view.instruments.size) entry("instrument stood here", ["m-ring", ring(0, 0, 7)]);
    [...new Set(map.setups.support)].sort().forEach((k) => entry(map.supports[k], [`s-${map.supports[k]}`, SUPPORT[map.supports[k]](0, 0, 4)]));
    entry("measured", ["m-sight", "M-9 0H9"]);
    if (map.sights.flagged.length) entry("flagged reading", ["m-flagged", "M-9 0H9"]);
    if (view.wrong.size) entry("! flagged setup or control", ["m-wrong", square(0, 0, 6)]);
    if (view.unchecked.size) entry("? unchecked mark", ["m-unchecked", ring(0, 0, 6)]);
    list.append(make("span", {}, map.what));
    const lost = map.x.filter((x) => x === null).length;
    if (lost) list.append(make("span", {}, `${lost} marks without a position are not drawn`));
    return list;
  }

  resize(first) {
    const width = this.svg.clientWidth;
    if (!width || (width === this.width && !first)) return;
    const [x1, y1, x2, y2] = this.view.box;
    const shapely = (y2 - y1) / Math.max(x2 - x1, 1e-3);
    const most = Math.min(innerHeight * 0.75, 640);
    this.width = width;
    this.height = Math.round(this.map.profile ? Math.min(380, most) : Math.max(Math.min(280, most), Math.min(most, width * shapely + 90)));
    this.svg.style.height = `${this.height}px`;
    for (const svg of [this.svg, this.picture]) svg.setAttribute("viewBox", `0 0 ${this.width} ${this.height}`);
    this.view.size(this.width, this.height);
    this.view.fit(this.width, this.height);
    this.draw();
  }

  draw() {
    this.moved = [0, 0];
    this.picture.style.transform = "none";
    this.view.draw(this.layer);
    this.drawScale();
  }

  later() {
    if (!this.asked) this.asked = requestAnimationFrame(() => { this.asked = 0; this.draw(); });
  }

  drawScale() {
    const { map, view } = this;
    const bar = (y, perUnit, unit, what) => {
      let number = nice(110 / perUnit);
      const w = number * perUnit;
      if (unit === "mm" && number >= 1000) [number, unit] = [number / 1000, "m"];
      this.scale.append(
        shape("path", { class: "m-bar", d: `M12 ${y}h${near(w)}M12 ${y - 4}v8M${near(12 + w)} ${y - 4}v8` }),
        shape("text", { class: "name", x: near(20 + w), y: y + 4, "data-bar": what }, `${+number.toPrecision(6)} ${unit} (${what})`),
      );
    };
    this.scale.replaceChildren();
    if (!map.profile) {
      bar(this.height - 34, view.k / map.lengthPerMetre, map.length, "distances");
      const x = this.width - 22;
      this.scale.append(shape("path", { class: "m-bar", d: `M${x} 50V26M${x - 5} 34l5 -8l5 8` }), shape("text", { class: "name", x: x - 4, y: 19 }, "N"));
    }
    if (view.layers.ellipses) bar(this.height - 14, (map.perMetre * view.k * view.enlarged) / map.smallPerMetre, map.small, map.profile ? "bars" : "ellipses");
  }

  enlarge() {
    this.view.enlarged = STEPS[+this.slider.value];
    this.factor.textContent = `${this.view.enlarged} ×`;
    this.slider.setAttribute("aria-valuetext", `${this.view.enlarged} times`);
    this.later();
  }

  zoom(factor, px = this.width / 2, py = this.height / 2) {
    const { view } = this;
    this.settle();
    const k = Math.max(view.least, Math.min(view.most, view.k * factor));
    const x = view.x + (px - this.width / 2) / view.k, y = view.y - (py - this.height / 2) / view.k;
    view.x = x - (px - this.width / 2) / k;
    view.y = y + (py - this.height / 2) / k;
    view.k = k;
    this.later();
  }

  // Moves the picture as it is; it is drawn anew once it has moved by a third of its size, or comes to rest.
  move(dx, dy) {
    this.moved[0] += dx;
    this.moved[1] += dy;
    if (Math.abs(this.moved[0]) > this.width / 3 || Math.abs(this.moved[1]) > this.height / 3) { this.settle(); this.draw(); }
    else this.picture.style.transform = `translate(${near(this.moved[0])}px, ${near(this.moved[1])}px)`;
  }

  settle() {
    this.view.x -= this.moved[0] / this.view.k;
    this.view.y += this.moved[1] / this.view.k;
    this.moved = [0, 0];
  }

  listen() {
    const { svg } = this;
    const held = new Map();
    const where = (e) => { const box = svg.getBoundingClientRect(); return [e.clientX - box.left, e.clientY - box.top]; };
    let way = 0, apart = 0;
    svg.addEventListener("pointerdown", (e) => {
      if (e.button) return;
      held.set(e.pointerId, where(e));
      way = 0;
      svg.setPointerCapture(e.pointerId);
    });
    svg.addEventListener("pointermove", (e) => {
      const at = where(e), was = held.get(e.pointerId);
      if (!was) { this.say(this.hit(at)); return; }
      held.set(e.pointerId, at);
      const all = [...held.values()];
      if (all.length === 2) {
        const now = Math.hypot(all[0][0] - all[1][0], all[0][1] - all[1][1]);
        if (apart) this.zoom(now / apart, (all[0][0] + all[1][0]) / 2, (all[0][1] + all[1][1]) / 2);
        apart = now;
        way = 99;
        return;
      }
      way += Math.hypot(at[0] - was[0], at[1] - was[1]);
      if (way > 3) this.move(at[0] - was[0], at[1] - was[1]);
    });
    const up = (e) => {
      if (!held.delete(e.pointerId)) return;
      apart = 0;
      if (way > 3) { this.settle(); this.later(); }
      else if (e.type === "pointerup") this.choose(this.hit(where(e)), true);
    };
    svg.addEventListener("pointerup", up);
    svg.addEventListener("pointercancel", up);
    // Only a map that is in use takes the wheel away from the page.
    svg.addEventListener("wheel", (e) => {
      if (!e.ctrlKey && !e.metaKey && document.activeElement !== svg) return;
      e.preventDefault();
      this.zoom(Math.exp(-e.deltaY * (e.ctrlKey ? 0.01 : 0.0015)), ...where(e));
    }, { passive: false });
    svg.addEventListener("keydown", (e) => this.key(e));
  }

  key(e) {
    const step = 60;
    const actions = {
      ArrowLeft: () => this.move(step, 0), ArrowRight: () => this.move(-step, 0), ArrowUp: () => this.move(0, step), ArrowDown: () => this.move(0, -step),
      "+": () => this.zoom(1.5), "=": () => this.zoom(1.5), "-": () => this.zoom(1 / 1.5),
      0: () => { this.view.fit(this.width, this.height); this.draw(); },
      n: () => this.step(1), p: () => this.step(-1), Enter: () => this.go(), Escape: () => this.choose(null),
    };
    const action = !e.ctrlKey && !e.metaKey && !e.altKey && actions[e.key.length === 1 ? e.key.toLowerCase() : e.key];
    if (!action) return;
    e.preventDefault();
    action();
    if (e.key.startsWith("Arrow")) { this.settle(); this.later(); }
  }

  step(by) {
    const { places, chosen } = this.view;
    const now = chosen ? places.indexOf(chosen[0]) : by > 0 ? -1 : 0;
    const i = places[(now + by + places.length) % places.length];
    this.centre([i]);
    this.choose({ mark: i });
  }

  hit([x, y]) { return this.view.hit(x - this.moved[0], y - this.moved[1]); }

  // Marks a mark or a sight as chosen; a sight that was clicked shows its residuals.
  choose(what, clicked) {
    const s = this.map.sights;
    this.view.chosen = !what ? null : what.sight === undefined ? [what.mark] : [s.a[what.sight], s.b[what.sight]];
    this.draw();
    this.say(what, true);
    if (clicked && what && what.sight !== undefined) this.go();
  }

  // To the rows of what is chosen: the residuals of a sight, the coordinates of a mark.
  go(key) {
    const pair = this.view.chosen;
    if (!pair) return;
    const name = key || (pair.length > 1 ? "residuals" : "coordinates");
    const grid = grids[name];
    if (!grid) return;
    if (grid.find) grid.find.value = grid.words = "";
    if (grid.box.onlyBox) grid.box.onlyBox.checked = grid.only = false;
    if (grid.chip) grid.between(pair);
    goTo(name);
    const first = grid.paged ? grid.live.rows[0] : grid.rows[grid.order[0]];
    const row = name === "coordinates" && !grid.paged ? grid.rows[pair[0]] : first;
    if (row) grid.choose(row);
  }

  // Shows the ends of a row: one mark, or a sight.
  show(ends, words) {
    const pair = ends.length > 1 && ends[0] !== ends[1] ? ends : [ends[0]];
    this.view.chosen = pair;
    this.centre(pair);
    const s = this.map.sights;
    const at = pair.length < 2 ? -1 : s.a.findIndex((a, i) => a === Math.min(...pair) && s.b[i] === Math.max(...pair));
    this.say(at >= 0 ? { sight: at } : { mark: pair[0] }, true, words);
  }

  // Brings marks to the middle, nearer where the whole network is large.
  centre(marks) {
    const { view, map } = this;
    const mean = (v) => marks.reduce((sum, m) => sum + v[m], 0) / marks.length;
    view.x = mean(map.x);
    view.y = mean(map.y);
    if (view.places.length > 60) {
      const span = Math.max(...marks.map((m) => Math.hypot(map.x[m] - view.x, map.y[m] - view.y)), 1e-9);
      view.k = Math.max(view.k, Math.min(view.most, this.height / 5 / span, 12 * Math.max(view.least * 4, 0.05)));
    } else view.fit(this.width, this.height);
    this.draw();
  }

  // Numbers of what the pointer is at; of what is chosen when it is at nothing.
  say(what, keep, words) {
    if (keep) this.kept = what;
    const it = what || this.kept;
    const key = it ? `${it.mark}/${it.sight}/${words || ""}` : "";
    if (key === this.saying) return;
    this.saying = key;
    const { map } = this;
    if (!it) {
      this.told.replaceChildren("Point at a mark or a sight for its numbers; click a sight for its residuals. Drag to move; the wheel zooms once the map was clicked; keys: arrows, +, −, 0, N, P, Enter.");
      return;
    }
    const link = (label, section) => make("button", { type: "button", onclick: () => { this.choose(it); this.go(section); } }, label);
    if (it.sight !== undefined) {
      const s = map.sights, i = it.sight;
      const flag = this.view.flaggedSights.has(i) ? " ✗ flagged." : "";
      this.told.replaceChildren(make("b", {}, `${map.names[s.a[i]]} – ${map.names[s.b[i]]}`), `: ${s.count[i]} readings, largest |w| ${s.worst[i]}.${flag}`, link("Residuals", "residuals"));
      return;
    }
    const i = it.mark;
    const grid = grids.coordinates;
    const cells = !grid ? [] : grid.heads.map((h, c) => [grid.about.heads[c], grid.columns[c][i]]).slice(1).filter(([, cell]) => cell);
    const setups = map.setups.mark.flatMap((m, s) => (m === i ? [`${map.setups.names[s]} ${map.supports[map.setups.support[s]]}${map.setups.flagged.includes(s) ? " ✗" : ""}`] : []));
    const stood = setups.length ? ` Setups: ${setups.slice(0, 8).join(", ")}${setups.length > 8 ? ` and ${setups.length - 8} more` : ""}.` : "";
    const numbers = cells.map(([h, cell]) => `${h.replace(/ \((1D|2D)[^)]*\)/, "")} ${cell}`).join("; ");
    this.told.replaceChildren(make("b", {}, words ? `${words} on ${map.names[i]}` : map.names[i]), `: ${numbers}.${stood}`, link("Coordinates", "coordinates"), link("Setups", "setups"), link("Residuals", "residuals"));
  }
}
