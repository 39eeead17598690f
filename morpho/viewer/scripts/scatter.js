/*
 * Specimens in shape space, as a drawing that can be walked through by keyboard.
 */
"use strict";
(() => {
  const viewer = (window.formkinViewer = window.formkinViewer || {});
  const SVG = "http://www.w3.org/2000/svg";
  const MARGIN = { left: 46, right: 14, top: 10, bottom: 40 };
  const REACH = 22; // how near the pointer must come to a mark, in pixels
  const SIZE = { known: 4.6, query: 8.5 };

  /** An element of a drawing. */
  viewer.svg = (name, attributes = {}) => {
    const element = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
    return element;
  };

  /** A name whose middle is cut where it is too long. */
  viewer.short = (name, longest) => {
    const letters = [...name];
    if (letters.length <= longest) return name;
    const half = Math.floor((longest - 1) / 2);
    return `${letters.slice(0, half).join("")}…${letters.slice(-half).join("")}`;
  };

  /** A number as people write it: three figures, a true minus sign, no exponent. */
  viewer.plain = (value) => {
    if (!Number.isFinite(value)) return "–";
    if (value === 0) return "0";
    const places = Math.min(Math.max(2 - Math.floor(Math.log10(Math.abs(value))), 0), 8);
    const text = String(Number(value.toFixed(places)));
    return text.replace("-", "−");
  };

  const ring = (n, start, radius = () => 1) => {
    const corners = [];
    for (let i = 0; i < n; i++) {
      const angle = start + (2 * Math.PI * i) / n;
      corners.push([radius(i) * Math.cos(angle), radius(i) * Math.sin(angle)]);
    }
    return corners;
  };
  const turned = (corners, angle) =>
    corners.map(([x, y]) => [x * Math.cos(angle) - y * Math.sin(angle), x * Math.sin(angle) + y * Math.cos(angle)]);
  const PLUS = [[-0.36, -1], [0.36, -1], [0.36, -0.36], [1, -0.36], [1, 0.36], [0.36, 0.36],
    [0.36, 1], [-0.36, 1], [-0.36, 0.36], [-1, 0.36], [-1, -0.36], [-0.36, -0.36]];
  const TOP = -Math.PI / 2;
  // Corners of each mark, under the letters that the figures use for them.
  const SHAPES = {
    s: ring(4, Math.PI / 4).map(([x, y]) => [1.25 * x, 1.25 * y]),
    "^": ring(3, TOP, () => 1.25), v: ring(3, -TOP, () => 1.25),
    "<": ring(3, Math.PI, () => 1.25), ">": ring(3, 0, () => 1.25),
    D: ring(4, 0, () => 1.25), d: [[0, -1.3], [0.75, 0], [0, 1.3], [-0.75, 0]],
    P: PLUS.map(([x, y]) => [1.1 * x, 1.1 * y]), X: turned(PLUS, Math.PI / 4).map(([x, y]) => [1.1 * x, 1.1 * y]),
    h: ring(6, TOP, () => 1.15), p: ring(5, TOP, () => 1.1), 8: ring(8, Math.PI / 8, () => 1.1),
    "*": ring(10, TOP, (i) => (i % 2 ? 0.5 : 1.25)),
  };

  /** Path of a mark of a size around a place. */
  const markPath = (marker, size, x = 0, y = 0) => {
    const corners = SHAPES[marker] || ring(24, 0);
    return `M${corners.map(([a, b]) => `${(x + size * a).toFixed(2)},${(y + size * b).toFixed(2)}`).join("L")}Z`;
  };

  /** A mark as it stands in the plot; queries are larger, hollow, with a strong rim. */
  const markOf = (look, query, x, y) =>
    viewer.svg("path", {
      class: query ? "viewer-query" : "viewer-known",
      d: markPath(look.marker, query ? SIZE.query : SIZE.known, x, y),
      ...(query ? { stroke: look.colour } : { fill: look.colour }),
    });

  /** Corners of the hull of points, in order (Andrew's monotone chain). */
  const hull = (points) => {
    const sorted = [...points].sort((a, b) => a[0] - b[0] || a[1] - b[1]);
    const turn = (o, a, b) => (a[0] - o[0]) * (b[1] - o[1]) - (a[1] - o[1]) * (b[0] - o[0]);
    const half = (list) => {
      const chain = [];
      for (const point of list) {
        while (chain.length > 1 && turn(chain[chain.length - 2], chain[chain.length - 1], point) <= 0) chain.pop();
        chain.push(point);
      }
      return chain.slice(0, -1);
    };
    return [...half(sorted), ...half(sorted.reverse())];
  };

  /** Round values across a range, about as many as asked. */
  const ticks = (low, high, count) => {
    const rough = (high - low) / count;
    const ten = 10 ** Math.floor(Math.log10(rough));
    const step = [1, 2, 5, 10].map((n) => n * ten).find((n) => n >= rough);
    const found = [];
    for (let i = Math.ceil(low / step); i * step <= high; i++) found.push(Number((i * step).toPrecision(6)));
    return found;
  };

  viewer.Scatter = class Scatter {
    /**
     * @param {SVGElement} drawing
     * @param {object} specimens names, taxa, roles, scores, axis_labels, looks
     * @param {object} calls preview(index or -1), keep(index or -1)
     */
    constructor(drawing, specimens, calls) {
      this.drawing = drawing;
      this.specimens = specimens;
      this.calls = calls;
      this.axes = [0, 1];
      this.current = 0;
      this.kept = -1;
      this.previewed = -1;
      this.bone = null;
      this.listen();
      new ResizeObserver(() => this.draw()).observe(drawing);
    }

    score(i, axis) {
      return this.specimens.scores.array[i * this.specimens.scores.shape[1] + axis];
    }

    setAxes(across, upward) {
      this.axes = [across, upward];
      this.draw();
    }

    /** Where the bone on show lies (scores, or null), and the way of its slider (two ends). */
    setBone(bone) {
      this.bone = bone;
      this.drawBone();
    }

    setStates(previewed, kept) {
      this.previewed = previewed;
      this.kept = kept;
      if (!this.points) return;
      this.points.forEach((point, i) => {
        point.setAttribute("aria-pressed", String(i === kept));
        point.classList.toggle("is-kept", i === kept);
      });
      this.drawRing();
    }

    draw() {
      const width = this.drawing.clientWidth;
      const height = this.drawing.clientHeight;
      const n = this.specimens.names.length;
      if (!width || !height || !n) return;
      const focused = this.points ? this.points.indexOf(document.activeElement) : -1;
      this.drawing.setAttribute("viewBox", `0 0 ${width} ${height}`);
      this.setScale(width, height);
      this.places = this.specimens.names.map((_, i) => this.place(this.axes.map((axis) => this.score(i, axis))));
      const items = [...this.frameItems(width, height), ...this.hullItems()];
      const [left, bottom] = this.corner;
      const room = [left, MARGIN.top, width - left - MARGIN.right, bottom - MARGIN.top];
      const inside = viewer.svg("svg", { x: room[0], y: room[1], width: room[2], height: room[3], viewBox: room.join(" ") });
      this.trail = viewer.svg("line", { class: "viewer-trail" });
      inside.append(this.trail);
      this.cross = viewer.svg("path", { class: "viewer-cross" });
      this.ringMark = viewer.svg("circle", { class: "viewer-ring", r: 11, visibility: "hidden" });
      this.points = this.specimens.names.map((_, i) => this.pointItem(i));
      // queries above the rest
      const order = this.points.map((_, i) => i).sort((a, b) => this.isQuery(a) - this.isQuery(b) || a - b);
      this.name = viewer.svg("text", { class: "viewer-name", visibility: "hidden" });
      items.push(inside, ...order.map((i) => this.points[i]), this.cross, this.ringMark, ...this.queryNames(width), this.name);
      this.drawing.replaceChildren(...items);
      this.width = width;
      this.drawBone();
      this.setStates(this.previewed, this.kept);
      if (focused >= 0) this.points[focused].focus({ preventScroll: true });
    }

    isQuery(i) {
      return this.specimens.roles[i] === "query";
    }

    /** One scale for both axes: a distance is as long across as upward. */
    setScale(width, height) {
      const room = [width - MARGIN.left - MARGIN.right, height - MARGIN.top - MARGIN.bottom];
      const ends = this.axes.map((axis) => {
        const values = this.specimens.names.map((_, i) => this.score(i, axis));
        return [Math.min(0, ...values), Math.max(0, ...values)];
      });
      const pad = 12;
      const scales = ends.map(([low, high], i) => (room[i] - 2 * pad) / (high - low || 1));
      this.scale = Math.min(...scales);
      const middles = ends.map(([low, high]) => (low + high) / 2);
      this.range = middles.map((middle, i) => [middle - room[i] / 2 / this.scale, middle + room[i] / 2 / this.scale]);
      this.corner = [MARGIN.left, height - MARGIN.bottom];
    }

    place([a, b]) {
      return [this.corner[0] + (a - this.range[0][0]) * this.scale, this.corner[1] - (b - this.range[1][0]) * this.scale];
    }

    frameItems(width, height) {
      const items = [];
      const [left, bottom] = this.corner;
      const text = (content, attributes) => {
        const item = viewer.svg("text", attributes);
        item.textContent = content;
        items.push(item);
      };
      const line = (x1, y1, x2, y2, name) => items.push(viewer.svg("line", { x1, y1, x2, y2, class: name }));
      for (const value of ticks(...this.range[0], Math.max((width - left) / 90, 2))) {
        const [x] = this.place([value, 0]);
        line(x, MARGIN.top, x, bottom, value === 0 ? "viewer-zero" : "viewer-grid");
        text(viewer.plain(value), { x, y: bottom + 14, "text-anchor": "middle" });
      }
      for (const value of ticks(...this.range[1], Math.max(bottom / 70, 2))) {
        const [, y] = this.place([0, value]);
        line(left, y, width - MARGIN.right, y, value === 0 ? "viewer-zero" : "viewer-grid");
        text(viewer.plain(value), { x: left - 5, y: y + 3.5, "text-anchor": "end" });
      }
      const [across, upward] = this.axes.map((axis) => this.specimens.axis_labels[axis]);
      const middle = (left + width - MARGIN.right) / 2;
      text(viewer.short(across, 44), { x: middle, y: height - 6, "text-anchor": "middle", class: "viewer-axis" });
      text(viewer.short(upward, 44), { transform: `translate(11 ${(bottom + MARGIN.top) / 2}) rotate(-90)`, "text-anchor": "middle", class: "viewer-axis" });
      return items;
    }

    hullItems() {
      return this.specimens.taxon_marks.flatMap(({ taxon, colour }) => {
        const places = this.places.filter((_, i) => !this.isQuery(i) && this.specimens.taxa[i] === taxon);
        if (places.length < 3) return [];
        const corners = hull(places).map(([x, y]) => `${x.toFixed(1)},${y.toFixed(1)}`);
        return [viewer.svg("polygon", { class: "viewer-hull", points: corners.join(" "), fill: colour, stroke: colour })];
      });
    }

    describe(i) {
      const { names, taxa } = this.specimens;
      return `${names[i]}, ${this.isQuery(i) ? "query" : taxa[i]}`;
    }

    pointItem(i) {
      const [x, y] = this.places[i];
      const group = viewer.svg("g", { class: "viewer-point", role: "button", tabindex: i === this.current ? 0 : -1, "aria-pressed": "false" });
      const scores = this.axes.map((axis) => `${this.specimens.axis_labels[axis]}: ${viewer.plain(this.score(i, axis))}`);
      group.setAttribute("aria-label", `${this.describe(i)}; ${scores.join("; ")}`);
      group.append(markOf(this.specimens.looks[i], this.isQuery(i), x, y));
      return group;
    }

    queryNames(width) {
      return this.places.flatMap(([x, y], i) => {
        if (!this.isQuery(i)) return [];
        const left = x > width * 0.72;
        const text = viewer.svg("text", { class: "viewer-query-name", x: x + (left ? -12 : 12), y: y + 4, "text-anchor": left ? "end" : "start", fill: this.specimens.looks[i].colour });
        text.textContent = viewer.short(this.specimens.names[i], 20);
        return [text];
      });
    }

    drawRing() {
      const i = this.previewed >= 0 ? this.previewed : this.kept;
      const visible = i >= 0 ? "visible" : "hidden";
      this.ringMark.setAttribute("visibility", visible);
      this.name.setAttribute("visibility", i >= 0 && !this.isQuery(i) ? "visible" : "hidden");
      if (i < 0) return;
      const [x, y] = this.places[i];
      this.ringMark.setAttribute("cx", x);
      this.ringMark.setAttribute("cy", y);
      const left = x > this.width * 0.6;
      this.name.setAttribute("x", x + (left ? -15 : 15));
      this.name.setAttribute("y", y - 9);
      this.name.setAttribute("text-anchor", left ? "end" : "start");
      this.name.textContent = viewer.short(this.specimens.names[i], 24);
    }

    drawBone() {
      if (!this.places) return;
      const at = this.bone && this.bone.scores;
      this.cross.setAttribute("visibility", at ? "visible" : "hidden");
      this.trail.setAttribute("visibility", at && this.bone.ends ? "visible" : "hidden");
      if (!at) return;
      const pick = (scores) => this.place(this.axes.map((axis) => scores[axis]));
      const [x, y] = pick(at).map((value) => Number(value.toFixed(1)));
      this.cross.setAttribute("d", `M${x - 7},${y}H${x + 7}M${x},${y - 7}V${y + 7}`);
      if (!this.bone.ends) return;
      const [[x1, y1], [x2, y2]] = this.bone.ends.map(pick);
      for (const [name, value] of Object.entries({ x1, y1, x2, y2 })) this.trail.setAttribute(name, value.toFixed(1));
    }

    nearest(event) {
      const box = this.drawing.getBoundingClientRect();
      const x = event.clientX - box.left;
      const y = event.clientY - box.top;
      let best = -1;
      let least = REACH;
      this.places.forEach(([a, b], i) => {
        const distance = Math.hypot(a - x, b - y) - (this.isQuery(i) ? 4 : 0);
        if (distance < least) [best, least] = [i, distance];
      });
      return best;
    }

    /** Move the keyboard's place to a specimen. */
    goTo(i, focus) {
      this.points[this.current].setAttribute("tabindex", "-1");
      this.current = i;
      this.points[i].setAttribute("tabindex", "0");
      if (focus) this.points[i].focus({ preventScroll: true });
    }

    /** The next specimen across or upward. */
    next(axis, step) {
      const order = this.places.map((_, i) => i).sort((a, b) => this.score(a, this.axes[axis]) - this.score(b, this.axes[axis]) || a - b);
      const at = order.indexOf(this.current) + step;
      return order[Math.min(Math.max(at, 0), order.length - 1)];
    }

    listen() {
      const { drawing, calls } = this;
      drawing.addEventListener("pointermove", (event) => {
        if (event.pointerType !== "touch") calls.preview(this.nearest(event));
      });
      drawing.addEventListener("pointerleave", (event) => {
        if (event.pointerType !== "touch") calls.preview(-1);
      });
      drawing.addEventListener("click", (event) => {
        const i = this.nearest(event);
        if (i >= 0) this.goTo(i, false);
        calls.keep(i === this.kept ? -1 : i);
      });
      // on what is around it: a drawing that listens for focus could be tabbed to itself
      const around = drawing.parentElement;
      around.addEventListener("focusin", (event) => {
        const i = this.points.indexOf(event.target.closest(".viewer-point"));
        if (i < 0 || !event.target.matches(":focus-visible")) return;
        this.goTo(i, false);
        calls.preview(i);
      });
      around.addEventListener("focusout", () => calls.preview(-1));
      drawing.addEventListener("keydown", (event) => {
        const ways = { ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowDown: [1, -1], ArrowUp: [1, 1],
          Home: [0, -Infinity], End: [0, Infinity] };
        if (ways[event.key]) this.goTo(this.next(...ways[event.key]), true);
        else if (event.key === "Enter" || event.key === " ") calls.keep(this.current === this.kept ? -1 : this.current);
        else if (event.key === "Escape") calls.keep(-1);
        else return;
        event.preventDefault();
      });
    }

    /** What each mark stands for, as items of a list. */
    legendItems() {
      const item = (look, query, words) => {
        const entry = document.createElement("li");
        const picture = viewer.svg("svg", { width: 20, height: 20, viewBox: "-11 -11 22 22", "aria-hidden": "true" });
        picture.append(markOf(look, query, 0, 0));
        const text = document.createElement("span");
        text.textContent = words;
        entry.append(picture, text);
        return entry;
      };
      return [
        ...this.specimens.taxon_marks.map((look) => item(look, false, look.taxon)),
        ...this.specimens.query_marks.map((look) => item(look, true, `${look.specimen} (query)`)),
      ];
    }
  };
})();
