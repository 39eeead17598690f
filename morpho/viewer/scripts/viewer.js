/*
 * One viewer for each element with data-viewer: reads its block of data, fills its controls,
 * and joins the bone (stage.js) with the specimens (scatter.js).
 *
 * Names and definitions reach the page as text only (textContent, attributes), never as markup.
 */
"use strict";
(() => {
  const viewer = (window.formkinViewer = window.formkinViewer || {});
  const SWING = 2600; // milliseconds from one end of the slider to the other
  const NO_3D = "3D needs WebGL, which this browser does not offer here. The picture shows the mean bone instead; landmarks and specimens can be looked up below.";
  const LOST_3D = "The browser has given up its 3D drawing. The picture shows the mean bone instead; load the page again to have it back.";
  const OPPOSITE = {};
  for (const [a, b] of [["front", "back"], ["top", "bottom"], ["left", "right"], ["upper side", "lower side"],
    ["outer side", "inner side"], ["upper", "lower"], ["anterior", "posterior"], ["dorsal", "ventral"],
    ["medial", "lateral"], ["rostral", "caudal"], ["cranial", "caudal"], ["proximal", "distal"]]) {
    OPPOSITE[a] = b;
    OPPOSITE[b] = OPPOSITE[b] || a;
  }

  /** The array that was packed as base64 of its bytes. */
  const unpacked = (entry) => {
    if (!entry) return null;
    const bytes = Uint8Array.from(atob(entry.base64), (letter) => letter.charCodeAt(0));
    const Kind = entry.type === "uint32" ? Uint32Array : Float32Array;
    return new Kind(bytes.buffer);
  };

  /** a + factor * b, where b or a may be missing. */
  const added = (a, b, factor = 1) => (a && b ? a.map((value, i) => value + factor * b[i]) : a);

  const option = (value, words) => {
    const item = document.createElement("option");
    item.value = value;
    item.textContent = words;
    return item;
  };

  class Viewer {
    constructor(root) {
      this.root = root;
      this.parts = {};
      for (const element of root.querySelectorAll("[data-part]")) this.parts[element.dataset.part] = element;
      this.data = JSON.parse(this.parts.data.textContent);
      this.parts.data.remove();
      this.points = unpacked(this.data.points.positions);
      this.warp = 0;
      this.kept = -1;
      this.previewed = -1;
      this.landmark = -1;
      this.stage = null;
      this.readWarps();
      this.fillLandmarks();
      this.fillSpecimens();
      this.fillWarps();
      this.parts.live.hidden = false;
      root.classList.add("is-live");
      this.listen();
      this.update(false);
    }

    // ---- the bone in 3D, once it comes into view

    start() {
      const { data, parts } = this;
      this.fillFrom();
      const surface = data.surface && { vertices: unpacked(data.surface.vertices), faces: unpacked(data.surface.faces) };
      this.surface = surface || null;
      try {
        this.stage = new viewer.Stage(
          { canvas: parts.canvas, box: parts.stage, compass: parts.compass, scale: parts.scale, tag: parts.tag },
          { ...data.points, outline: data.points.outline, points: this.points, surface: this.surface, towards: data.towards,
            everything: data.specimens && unpacked(data.specimens.configurations) },
          { picked: (index) => this.chooseLandmark(index), turned: (side) => (parts.from.value = side || "free") },
        );
      } catch (error) {
        return this.fail(NO_3D);
      }
      parts.canvas.addEventListener("webglcontextlost", () => this.fail(LOST_3D));
      parts.canvas.addEventListener("webglcontextrestored", () => {
        this.root.classList.remove("is-still");
        this.update(false);
      });
      this.fillShow();
      this.parts.show.open = this.root.clientWidth > 688; // where the style sheet has two columns
      this.update(false);
    }

    fail(words) {
      this.stop();
      this.root.classList.add("is-still");
      this.parts.failure.textContent = words;
      this.parts.failure.hidden = false;
      this.update(false);
    }

    /** How the surface follows a displacement of the points (thin-plate spline). */
    follow(coefficients) {
      const { vertices } = this.surface;
      const { points } = this;
      const k = points.length / 3;
      const affine = 3 * k;
      const c = coefficients;
      const moved = new Float32Array(vertices.length);
      for (let i = 0; i < vertices.length; i += 3) {
        const [x, y, z] = [vertices[i], vertices[i + 1], vertices[i + 2]];
        let dx = c[affine] + x * c[affine + 3] + y * c[affine + 6] + z * c[affine + 9];
        let dy = c[affine + 1] + x * c[affine + 4] + y * c[affine + 7] + z * c[affine + 10];
        let dz = c[affine + 2] + x * c[affine + 5] + y * c[affine + 8] + z * c[affine + 11];
        for (let j = 0; j < affine; j += 3) {
          const far = Math.sqrt((x - points[j]) ** 2 + (y - points[j + 1]) ** 2 + (z - points[j + 2]) ** 2);
          dx -= far * c[j];
          dy -= far * c[j + 1];
          dz -= far * c[j + 2];
        }
        moved[i] = dx;
        moved[i + 1] = dy;
        moved[i + 2] = dz;
      }
      return moved;
    }

    // ---- shapes

    readWarps() {
      this.warps = (this.data.warps || []).map((warp) => {
        const direction = unpacked(warp.direction);
        const offset = unpacked(warp.offset);
        return { ...warp, direction, offset, value: warp.start, base: offset ? added(this.points, offset) : this.points };
      });
    }

    /** A displacement of the vertices: as given, or after the points. */
    vertexMove(warp, name) {
      const key = `vertices_${name}`;
      if (!(key in warp)) {
        const spline = warp[`spline_${name}`];
        warp[key] = unpacked(warp[`vertex_${name}`]) || (spline ? this.follow(unpacked(spline)) : null);
      }
      return warp[key];
    }

    /** Millimetres of one unit for what is on show, and whose size that is. */
    size() {
      const { mm_per_unit: mm, size_note: note, specimens } = this.data;
      if (this.specimen >= 0) {
        return specimens.mm_per_unit ? { mm: specimens.mm_per_unit[this.specimen], note: "at its own size" } : { mm, note };
      }
      const warp = this.warps[this.warp];
      if (warp && warp.sized) return { mm: Math.exp(warp.value), note: "at this size" };
      return warp && warp.mm_per_unit ? { mm: warp.mm_per_unit, note: warp.size_note } : { mm, note };
    }

    warpShape() {
      const { mm } = this.size();
      if (!this.warps.length) return { points: this.points, reference: this.points, vertices: this.surface && this.surface.vertices, mm };
      const warp = this.warps[this.warp];
      const by = warp.value - warp.start;
      const shape = { points: added(warp.base, warp.direction, by), reference: warp.base, vertices: null, mm };
      if (this.surface) {
        const base = warp.offset ? added(this.surface.vertices, this.vertexMove(warp, "offset")) : this.surface.vertices;
        shape.vertices = added(base, this.vertexMove(warp, "direction"), by);
        if (warp.heat && this.wants.heat) {
          shape.colours = this.heatColours(warp);
          const { within, within_colour: ground, within_lines: lines } = warp.heat;
          if (within) shape.within = { values: unpacked(within), ground, lines };
        }
      }
      if (warp.arrows && this.wants.arrows) shape.arrows = { from: warp.base, by: unpacked(warp.arrows) };
      return shape;
    }

    specimenShape(i) {
      const { configurations, splines } = this.data.specimens;
      const k = this.points.length / 3;
      this.configurations = this.configurations || unpacked(configurations);
      const points = this.configurations.subarray(3 * k * i, 3 * k * (i + 1));
      const shape = { points, reference: this.points, vertices: null, mm: this.size().mm };
      if (this.surface && splines && points.every(Number.isFinite)) {
        this.splines = this.splines || unpacked(splines);
        const long = 3 * (k + 4);
        shape.vertices = added(this.surface.vertices, this.follow(this.splines.subarray(long * i, long * (i + 1))));
      }
      return shape;
    }

    heatColours(warp) {
      if (warp.heat.shades) return warp.heat.shades;
      const { Color } = window.formkinThree;
      const stops = warp.heat.colours.map((colour) => new Color(colour));
      const values = unpacked(warp.heat.values);
      const shades = new Float32Array(3 * values.length);
      const mixed = new Color();
      values.forEach((value, i) => {
        const share = (Math.min(Math.max(value / warp.heat.limit, -1), 1) + 1) / 2 * (stops.length - 1);
        const first = Math.min(Math.floor(share), stops.length - 2);
        mixed.lerpColors(stops[first], stops[first + 1], share - first).toArray(shades, 3 * i);
      });
      warp.heat.shades = shades;
      return shades;
    }

    // ---- what is on show, in the bone, in the drawing and in words

    /** Whether 3D has not failed. */
    get moves() {
      return !this.root.classList.contains("is-still");
    }

    /** The specimen whose bone is on show, or -1. */
    get specimen() {
      return this.previewed >= 0 ? this.previewed : this.kept;
    }

    update(moving = true) {
      const i = this.specimen;
      const hasBone = i >= 0 && Boolean(this.data.specimens.configurations);
      if (this.stage) {
        this.shape = hasBone ? this.specimenShape(i) : this.warpShape();
        this.stage.show(this.shape, moving);
      }
      this.tellShown(i, hasBone);
      this.tellHeat(hasBone);
      this.tellLandmark();
      if (this.scatter) {
        this.scatter.setStates(this.previewed, this.kept);
        this.scatter.setBone(this.bonePlace(i));
        if (document.activeElement !== this.parts.specimen) this.parts.specimen.value = String(this.kept);
      }
    }

    tellShown(i, hasBone) {
      const { shown, shown_more: more } = this.parts;
      if (i >= 0) {
        const { names, taxa, roles } = this.data.specimens;
        const taxon = roles[i] === "query" ? "query" : taxa[i];
        shown.textContent = `${names[i]} (${taxon})`;
        const [bone, of] = this.data.surface ? ["the mean bone, bent to its landmarks", "its landmarks"] : ["its landmarks", "its landmarks"];
        const whole = hasBone && this.shape && !this.shape.vertices ? of : bone;
        more.textContent = !hasBone ? "its shape is not at hand" : !this.moves ? "its bone is shown in 3D only" : this.kept === i ? `${whole}; kept: click it again, or Escape, to let go` : whole;
        return;
      }
      if (!this.warps.length || !this.moves) {
        shown.textContent = "Mean bone";
        more.textContent = "";
        return;
      }
      const warp = this.warps[this.warp];
      const mark = this.markAt(warp);
      const atStart = Math.abs(warp.value - warp.start) < 1e-9 * (warp.high - warp.low);
      shown.textContent = warp.label;
      more.textContent = [this.reading(warp), mark ? mark[1] : atStart ? warp.reference : ""].filter(Boolean).join(": ");
    }

    markAt(warp) {
      const near = (warp.high - warp.low) / 400;
      return warp.marks.find(([value]) => Math.abs(value - warp.value) <= near);
    }

    reading(warp) {
      const value = warp.logarithmic ? Math.exp(warp.value) : warp.value;
      return [viewer.plain(value), warp.unit].filter(Boolean).join(" ");
    }

    tellHeat(hasBone) {
      const { heat, heat_label, heat_low, heat_high, heat_bar, heat_within, heat_hatch } = this.parts;
      const shown = this.warps.length && this.moves && this.surface && !hasBone ? this.warps[this.warp].heat : null;
      heat.hidden = !shown || !this.wants.heat;
      if (heat.hidden) return;
      heat_label.textContent = shown.label;
      heat_low.textContent = `${viewer.plain(-shown.limit)} mm`;
      heat_high.textContent = `${viewer.plain(shown.limit)} mm`;
      heat_bar.style.backgroundImage = `linear-gradient(to right, ${shown.colours.join(", ")})`;
      heat_within.hidden = !shown.within;
      if (!shown.within) return;
      const { within_colour: ground, within_lines: lines } = shown;
      heat_hatch.style.backgroundImage = `repeating-linear-gradient(45deg, ${lines} 0 1.5px, ${ground} 1.5px 5px)`;
    }

    bonePlace(i) {
      const width = this.data.specimens.axis_labels.length;
      if (i >= 0 || !this.moves) return null;
      const warp = this.warps[this.warp];
      if (!warp || !warp.scores_direction) return null;
      const start = unpacked(warp.scores_start);
      const direction = unpacked(warp.scores_direction);
      const at = (value) => Array.from({ length: width }, (_, axis) => start[axis] + (value - warp.start) * direction[axis]);
      return { scores: at(warp.value), ends: [at(warp.low), at(warp.high)] };
    }

    tellLandmark() {
      const { definition } = this.parts;
      const i = this.landmark;
      if (i < 0) {
        definition.textContent = this.moves ? "Or point at one on the bone." : "";
        return;
      }
      const parts = [this.data.points.definitions[i]];
      const { mm, note } = this.size();
      if (mm && this.shape && this.shape.reference) {
        const { points, reference } = this.shape;
        const far = Math.hypot(...[0, 1, 2].map((d) => points[3 * i + d] - reference[3 * i + d])) * mm;
        const from = this.specimen >= 0 ? "the mean" : this.warps.length ? this.warps[this.warp].reference : "the mean";
        parts.push(Number.isFinite(far) ? `Here ${viewer.plain(Number(far.toFixed(2)))} mm from where it lies in ${from}${note ? ` (${note})` : ""}.` : "Missing in this specimen.");
      }
      const [text, distance] = parts;
      definition.textContent = [text && !/[.!?]$/.test(text) ? `${text}.` : text, distance].filter(Boolean).join(" ");
    }

    /** For those who listen: said once, when something was chosen. */
    say(words) {
      this.parts.said.textContent = words;
    }

    sayShown() {
      this.say(`${this.parts.shown.textContent}. ${this.parts.shown_more.textContent}`);
    }

    // ---- controls

    fillWarps() {
      const { change, warp: select } = this.parts;
      change.hidden = !this.warps.length;
      this.wants = { heat: true, arrows: true };
      select.replaceChildren(...this.warps.map((warp, i) => option(i, warp.label)));
      if (this.warps.length) this.setWarp(0);
    }

    setWarp(i) {
      this.stop();
      this.warp = i;
      const warp = this.warps[i];
      const { value, marks, note } = this.parts;
      Object.assign(value, { min: warp.low, max: warp.high, step: (warp.high - warp.low) / 400 });
      note.textContent = warp.note;
      note.hidden = !warp.note;
      const places = warp.marks.length ? warp.marks : [[warp.start, warp.reference]];
      const buttons = places.map(([at, words]) => {
        const button = document.createElement("button");
        button.type = "button";
        button.textContent = words;
        button.addEventListener("click", () => this.setValue(at, true));
        return button;
      });
      const play = document.createElement("button");
      play.type = "button";
      play.className = "viewer-play";
      play.textContent = "Swing to and fro";
      play.addEventListener("click", () => (this.playing ? this.stop() : this.play()));
      this.playButton = play;
      marks.replaceChildren(...buttons, play);
      this.setValue(warp.value, false);
      this.fillShow();
    }

    setValue(value, moving) {
      const warp = this.warps[this.warp];
      if (moving) this.stop();
      warp.value = Math.min(Math.max(value, warp.low), warp.high);
      this.kept = -1;
      this.previewed = -1;
      this.parts.value.value = String(warp.value);
      this.parts.reading.textContent = this.reading(warp);
      const mark = this.markAt(warp);
      this.parts.value.setAttribute("aria-valuetext", [this.reading(warp), mark ? mark[1] : ""].filter(Boolean).join(", "));
      this.update(moving);
    }

    play() {
      const warp = this.warps[this.warp];
      const middle = (warp.low + warp.high) / 2;
      const half = (warp.high - warp.low) / 2;
      const began = performance.now();
      const ahead = Math.asin(Math.min(Math.max((warp.value - middle) / half, -1), 1));
      this.playing = true;
      this.playButton.textContent = "Stop";
      const step = (now) => {
        if (!this.playing) return;
        this.setValue(middle + half * Math.sin(ahead + ((now - began) / SWING) * Math.PI), false);
        requestAnimationFrame(step);
      };
      requestAnimationFrame(step);
    }

    stop() {
      if (!this.playing) return;
      this.playing = false;
      this.playButton.textContent = "Swing to and fro";
    }

    fillFrom() {
      const sides = [];
      for (const axis of [2, 0, 1]) {
        const name = this.data.towards[axis];
        sides.push([`${axis}+`, name], [`${axis}-`, OPPOSITE[name.toLowerCase()] || `opposite of ${name}`]);
      }
      const free = option("free", "turned by hand");
      free.hidden = true;
      this.parts.from.replaceChildren(...sides.map(([value, words]) => option(value, words)), free);
    }

    /** What can be shown or not: only what this bone, along this way, has. */
    fillShow() {
      if (!this.stage) return;
      const { options } = this.stage;
      const { kinds, outline } = this.data.points;
      const warp = this.warps[this.warp] || {};
      const choices = [
        ["surface", "surface", this.surface, options],
        ["landmarks", "landmarks", kinds.includes("landmark"), options],
        ["other", "semilandmarks", kinds.some((kind) => kind !== "landmark"), options],
        ["outline", "lines between landmarks", this.surface && outline.length, options],
        ["reference", "lines of the reference", outline.length, options],
        ["heat", "heat", this.surface && warp.heat, this.wants],
        ["arrows", "arrows", warp.arrows, this.wants],
      ];
      const boxes = choices.filter(([, , there]) => there).map(([key, words, , owner]) => {
        const label = document.createElement("label");
        const box = document.createElement("input");
        box.type = "checkbox";
        box.name = key;
        box.checked = owner[key];
        box.addEventListener("change", () => {
          owner[key] = box.checked;
          this.stage.redraw();
          this.update(false);
        });
        label.append(box, ` ${words}`);
        return label;
      });
      this.parts.boxes.replaceChildren(...boxes);
    }

    fillLandmarks() {
      const { names, kinds } = this.data.points;
      const kept = kinds.map((kind, i) => [kind, i]);
      const group = (label, wanted) => {
        const list = document.createElement("optgroup");
        list.label = label;
        list.append(...kept.filter(([kind]) => (kind === "landmark") === wanted).map(([, i]) => option(i, names[i])));
        return list;
      };
      const groups = [group("Landmarks", true), group("Semilandmarks", false)].filter((list) => list.children.length);
      this.parts.landmark.replaceChildren(option(-1, "none"), ...groups);
    }

    chooseLandmark(i) {
      if (i < 0 && this.landmark < 0) return;
      this.landmark = i;
      this.parts.landmark.value = String(i);
      if (this.stage) this.stage.choose(i);
      this.tellLandmark();
      if (i >= 0) this.say(`${this.data.points.names[i]}. ${this.parts.definition.textContent}`);
    }

    fillSpecimens() {
      const { specimens } = this.data;
      if (!specimens) return;
      specimens.scores = { ...specimens.scores, array: unpacked(specimens.scores) };
      const taxa = new Map(specimens.taxon_marks.map((look) => [look.taxon, look]));
      const queries = new Map(specimens.query_marks.map((look) => [look.specimen, look]));
      specimens.looks = specimens.names.map((name, i) => (specimens.roles[i] === "query" ? queries.get(name) : taxa.get(specimens.taxa[i])));
      this.scatter = new viewer.Scatter(this.parts.scatter, specimens, {
        preview: (i) => this.preview(i),
        keep: (i) => this.keep(i),
      });
      this.parts.legend.replaceChildren(...this.scatter.legendItems());
      const group = (label, wanted) => {
        const list = document.createElement("optgroup");
        list.label = label;
        list.append(...specimens.names.flatMap((name, i) => (wanted(i) ? [option(i, name)] : [])));
        return list;
      };
      const isQuery = (i) => specimens.roles[i] === "query";
      this.parts.specimen.replaceChildren(
        option(-1, "none: the slider's bone"),
        ...(queries.size ? [group("Queries", isQuery)] : []),
        ...[...taxa.keys()].map((taxon) => group(taxon, (i) => !isQuery(i) && specimens.taxa[i] === taxon)),
      );
      for (const [name, chosen] of [["across", 0], ["upward", 1]]) {
        if (!this.parts[name]) continue; // two axes leave no choice
        this.parts[name].replaceChildren(...specimens.axis_labels.map((label, i) => option(i, label)));
        this.parts[name].value = String(chosen);
      }
    }

    preview(i) {
      if (i === this.previewed) return;
      this.stop();
      this.previewed = i;
      this.update();
    }

    keep(i) {
      this.stop();
      this.kept = i;
      this.update();
      this.sayShown();
    }

    listen() {
      const { parts } = this;
      parts.warp.addEventListener("change", () => {
        this.setWarp(Number(parts.warp.value));
        this.sayShown();
      });
      parts.value.addEventListener("input", () => {
        this.stop();
        this.setValue(Number(parts.value.value), false);
      });
      parts.landmark.addEventListener("change", () => this.chooseLandmark(Number(parts.landmark.value)));
      parts.from.addEventListener("change", () => {
        const [axis, sign] = parts.from.value;
        this.stage.look(Number(axis), sign === "+" ? 1 : -1);
      });
      for (const button of this.root.querySelectorAll("[data-turn]")) {
        button.addEventListener("click", () => this.stage.turn(button.dataset.turn));
      }
      if (this.scatter) {
        for (const select of [parts.across, parts.upward].filter(Boolean)) {
          select.addEventListener("change", () => this.scatter.setAxes(Number(parts.across.value), Number(parts.upward.value)));
        }
        parts.specimen.addEventListener("change", () => this.keep(Number(parts.specimen.value)));
      }
      this.root.addEventListener("keydown", (event) => {
        if (event.key === "Escape" && this.kept >= 0) this.keep(-1);
      });
    }
  }

  /** Make a viewer of each element; its bone is built when it comes near the screen. */
  viewer.begin = () => {
    const waiting = new Map();
    const watch = new IntersectionObserver((entries) => {
      for (const { target, isIntersecting } of entries) {
        const one = target.viewer;
        if (!isIntersecting) {
          if (one.stage) one.stop();
        } else if (waiting.delete(target)) {
          one.start();
        }
      }
    }, { rootMargin: "300px" });
    for (const root of document.querySelectorAll("[data-viewer]")) {
      root.viewer = new Viewer(root);
      waiting.set(root, true);
      watch.observe(root);
    }
  };

  if (document.readyState === "loading") document.addEventListener("DOMContentLoaded", viewer.begin);
  else viewer.begin();
})();
