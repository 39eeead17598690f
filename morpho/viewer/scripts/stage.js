/*
 * The bone in 3D: surface, landmarks, lines and arrows on one canvas.
 *
 * Draws only when something has changed. All sizes of marks are in pixels of the screen;
 * the camera has no perspective, so that the scale bar holds everywhere.
 */
"use strict";
(() => {
  const viewer = (window.formkinViewer = window.formkinViewer || {});
  const UP = { x: 0, y: 1, z: 0 };
  const PIXELS = { landmark: 4.5, other: 2.2, chosen: 7, halo: 1.4, line: 1.3, reference: 1, arrow: 1.5 };
  const REACH = 16; // how near the pointer must come to a landmark, in pixels
  const MORPH = 240; // milliseconds from one shape to the next
  const ROOM = 1.12; // of the field, in extents of the bone
  const STEP = Math.PI / 18;

  /** Many copies of one body: solid where in sight, faint where the bone hides them. */
  class Copies {
    constructor(THREE, scene, geometry, count, { ghost = true, order = 1 } = {}) {
      this.solid = new THREE.InstancedMesh(geometry, new THREE.MeshBasicMaterial(), count);
      this.parts = [this.solid];
      if (ghost) {
        const faint = new THREE.MeshBasicMaterial({ transparent: true, opacity: 0.22, depthTest: false, depthWrite: false });
        const shade = new THREE.InstancedMesh(geometry, faint, count);
        shade.instanceMatrix = this.solid.instanceMatrix;
        shade.renderOrder = order + 10;
        this.parts.push(shade);
      }
      this.solid.renderOrder = order;
      for (const part of this.parts) {
        part.frustumCulled = false;
        scene.add(part);
      }
    }

    /** Lay the copies anew; what is null is left out. */
    lay(matrices, colour) {
      const laid = matrices.filter(Boolean);
      laid.forEach((matrix, i) => this.solid.setMatrixAt(i, matrix));
      this.solid.instanceMatrix.needsUpdate = true;
      for (const part of this.parts) {
        part.count = laid.length;
        part.visible = laid.length > 0;
        part.material.color.set(colour);
      }
    }
  }

  /** Least and largest value of each coordinate; what is missing does not count. */
  viewer.bounds = (numbers) => {
    const low = [Infinity, Infinity, Infinity];
    const high = [-Infinity, -Infinity, -Infinity];
    numbers.forEach((value, i) => {
      if (value < low[i % 3]) low[i % 3] = value;
      if (value > high[i % 3]) high[i % 3] = value;
    });
    return [low, high];
  };

  /** Hatch what lies within members' variation, as the figures do. */
  const hatched = (material, hatching) => {
    material.onBeforeCompile = (shader) => {
      Object.assign(shader.uniforms, hatching);
      shader.vertexShader = `attribute float within;\nvarying float vWithin;\n${shader.vertexShader}`
        .replace("#include <color_vertex>", "#include <color_vertex>\nvWithin = within;");
      shader.fragmentShader = `varying float vWithin;\nuniform vec3 hatchGround, hatchLines;\nuniform float hatchStep;\n${shader.fragmentShader}`
        .replace("#include <color_fragment>", `#include <color_fragment>
          if (vWithin > 0.5) {
            float along = mod(gl_FragCoord.x + gl_FragCoord.y, hatchStep) / hatchStep;
            diffuseColor.rgb = along < 0.25 ? hatchLines : hatchGround;
          }`);
    };
  };

  viewer.Stage = class Stage {
    /**
     * @param {object} parts canvas, box, compass, scale, tag: elements
     * @param {object} bone points, kinds, outline, surface (or null), towards,
     *     everything (coordinates that must find room; may be missing)
     * @param {object} calls picked(index of a landmark, or -1 beside all), turned(side or null)
     * Throws where the browser has no WebGL.
     */
    constructor(parts, bone, calls) {
      const THREE = window.formkinThree;
      const context = parts.canvas.getContext("webgl2", { antialias: true, alpha: true });
      if (!context) throw new Error("no WebGL");
      this.THREE = THREE;
      this.parts = parts;
      this.bone = bone;
      this.calls = calls;
      this.frames = 0;
      this.waiting = false;
      this.chosen = -1;
      this.pointed = -1;
      this.options = { surface: true, landmarks: true, other: false, outline: !bone.surface, reference: false };
      this.renderer = new THREE.WebGLRenderer({ canvas: parts.canvas, context, antialias: true, alpha: true });
      this.renderer.setPixelRatio(Math.min(window.devicePixelRatio || 1, 2));
      this.still = window.matchMedia("(prefers-reduced-motion: reduce)");
      this.buildScene();
      this.buildControls();
      this.shown = { points: bone.points, vertices: bone.surface && bone.surface.vertices };
      this.place(this.shown);
      this.readColours();
      window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.readColours());
      new ResizeObserver(() => this.resize()).observe(parts.box);
      this.resize();
      this.reset();
      parts.canvas.addEventListener("webglcontextrestored", () => this.redraw());
    }

    buildScene() {
      const THREE = this.THREE;
      const { surface, points, outline } = this.bone;
      this.scene = new THREE.Scene();
      this.camera = new THREE.OrthographicCamera(-1, 1, 1, -1, 0.001, 100);
      this.scene.add(this.camera);
      this.scene.add(new THREE.HemisphereLight(0xffffff, 0x77706a, 1.15));
      const lamp = new THREE.DirectionalLight(0xffffff, 2.3); // goes with the eye, from above left
      lamp.position.set(-0.8, 1, 0.8);
      this.camera.add(lamp);

      const [low, high] = viewer.bounds(surface ? surface.vertices : points);
      // room for the specimens, whose landmarks may reach further than the mean's
      const inner = viewer.bounds(points);
      const outer = viewer.bounds(this.bone.everything || points);
      for (let d = 0; d < 3; d++) {
        low[d] += Math.min(outer[0][d] - inner[0][d], 0);
        high[d] += Math.max(outer[1][d] - inner[1][d], 0);
      }
      this.extent = high.map((value, i) => Math.max(value - low[i], 1e-9));
      this.centre = new THREE.Vector3(...high.map((value, i) => (value + low[i]) / 2));
      this.radius = Math.hypot(...this.extent) / 2;

      if (surface) {
        this.geometry = new THREE.BufferGeometry();
        this.geometry.setAttribute("position", new THREE.BufferAttribute(new Float32Array(surface.vertices), 3));
        this.geometry.setAttribute("color", new THREE.BufferAttribute(new Float32Array(surface.vertices.length).fill(1), 3));
        this.geometry.setAttribute("within", new THREE.BufferAttribute(new Float32Array(surface.vertices.length / 3), 1));
        this.geometry.setIndex(new THREE.BufferAttribute(surface.faces, 1));
        const look = { side: THREE.DoubleSide, polygonOffset: true, polygonOffsetFactor: 1, polygonOffsetUnits: 1 };
        this.plain = new THREE.MeshLambertMaterial(look);
        this.heated = new THREE.MeshLambertMaterial({ ...look, vertexColors: true });
        this.hatching = {
          hatchGround: { value: new THREE.Color() }, hatchLines: { value: new THREE.Color() },
          hatchStep: { value: 7 * this.renderer.getPixelRatio() },
        };
        hatched(this.heated, this.hatching);
        this.mesh = new THREE.Mesh(this.geometry, this.plain);
        this.mesh.frustumCulled = false;
        this.scene.add(this.mesh);
        this.ray = new THREE.Raycaster();
      }
      const k = points.length / 3;
      const ball = new THREE.IcosahedronGeometry(1, 2);
      const rod = new THREE.CylinderGeometry(1, 1, 1, 6, 1, true);
      const tip = new THREE.ConeGeometry(1, 1, 14);
      this.halos = new Copies(THREE, this.scene, ball, k, { ghost: false });
      for (const part of this.halos.parts) part.material.side = THREE.BackSide; // a rim
      this.balls = new Copies(THREE, this.scene, ball, k, { order: 3 });
      this.choice = new Copies(THREE, this.scene, ball, 1, { order: 4 });
      this.rods = new Copies(THREE, this.scene, rod, Math.max(outline.length, 1));
      this.referenceRods = new Copies(THREE, this.scene, rod, Math.max(outline.length, 1));
      this.shafts = new Copies(THREE, this.scene, rod, k, { order: 2 });
      this.tips = new Copies(THREE, this.scene, tip, k, { order: 2 });
    }

    buildControls() {
      const canvas = this.parts.canvas;
      // before the controls: the wheel scrolls the page until the bone has been clicked
      canvas.addEventListener("wheel", (event) => {
        if (document.activeElement !== canvas && !event.ctrlKey) event.stopImmediatePropagation();
      }, { capture: true, passive: true });
      this.controls = new this.THREE.OrbitControls(this.camera, canvas);
      this.controls.zoomSpeed = 1.5;
      this.controls.minZoom = 0.5;
      this.controls.maxZoom = 30;
      canvas.style.touchAction = "pan-y"; // a finger up or down scrolls the page
      this.controls.addEventListener("change", () => this.redraw());
      this.controls.addEventListener("start", () => this.calls.turned(null));
      canvas.addEventListener("pointerdown", (event) => {
        canvas.focus({ preventScroll: true });
        this.pressed = [event.clientX, event.clientY];
      });
      canvas.addEventListener("pointermove", (event) => this.point(event));
      canvas.addEventListener("pointerup", (event) => this.point(event));
      canvas.addEventListener("pointerleave", () => this.point(null));
      canvas.addEventListener("keydown", (event) => {
        const turn = { ArrowLeft: "left", ArrowRight: "right", ArrowUp: "up", ArrowDown: "down",
          "+": "in", "=": "in", "-": "out", "−": "out", 0: "reset" }[event.key];
        if (!turn || event.ctrlKey || event.metaKey || event.altKey) return;
        event.preventDefault();
        this.turn(turn);
      });
    }

    /** Colours of the page's theme, from the style sheet. */
    readColours() {
      const style = getComputedStyle(this.parts.box);
      this.colours = {};
      for (const name of ["bone", "mark", "halo", "chosen", "line", "reference", "arrow"]) {
        this.colours[name] = style.getPropertyValue(`--viewer-${name}`).trim() || "#888888";
      }
      if (this.plain) this.plain.color.set(this.colours.bone);
      this.redraw();
    }

    resize() {
      const { clientWidth: width, clientHeight: height } = this.parts.box;
      if (!width || !height) return;
      this.width = width;
      this.height = height;
      this.renderer.setSize(width, height, false);
      this.frame();
      this.redraw();
    }

    /** Make the camera's field as large as the first view of the bone needs. */
    frame() {
      const room = ROOM;
      const half = Math.max(this.extent[1] / 2, (this.extent[0] / 2) * (this.height / this.width)) * room;
      Object.assign(this.camera, { top: half, bottom: -half,
        right: half * (this.width / this.height), left: -half * (this.width / this.height) });
      this.camera.updateProjectionMatrix();
    }

    /** Look from a side: the axis (0, 1, 2) and which of its ends. */
    look(axis, sign) {
      const across = axis === 0 ? 2 : 0;
      const upward = axis === 1 ? 2 : 1;
      const towards = [0, 0, 0];
      towards[axis] = sign;
      if (axis === 1) towards[2] = 1e-4;
      this.controls.target.copy(this.centre);
      this.camera.position.set(...towards).setLength(this.radius * 8).add(this.centre);
      this.camera.far = this.radius * 20;
      const need = Math.max(this.extent[upward] / (2 * this.camera.top), this.extent[across] / (2 * this.camera.right)) * ROOM;
      this.camera.zoom = 1 / need;
      this.camera.updateProjectionMatrix();
      this.controls.update();
      this.calls.turned(`${axis}${sign > 0 ? "+" : "-"}`);
      this.redraw();
    }

    reset() {
      this.look(2, 1);
    }

    /** One step of turning or zooming: left, right, up, down, in, out or reset. */
    turn(way) {
      if (way === "reset") return this.reset();
      if (way === "in" || way === "out") {
        const zoom = this.camera.zoom * (way === "in" ? 1.2 : 1 / 1.2);
        this.camera.zoom = Math.min(Math.max(zoom, this.controls.minZoom), this.controls.maxZoom);
        this.camera.updateProjectionMatrix();
      } else {
        const arm = this.camera.position.clone().sub(this.controls.target);
        const reach = arm.length();
        let around = Math.atan2(arm.x, arm.z);
        let down = Math.acos(Math.min(Math.max(arm.y / reach, -1), 1));
        if (way === "left") around += STEP;
        if (way === "right") around -= STEP;
        if (way === "up") down += STEP;
        if (way === "down") down -= STEP;
        down = Math.min(Math.max(down, 1e-4), Math.PI - 1e-4);
        arm.set(Math.sin(down) * Math.sin(around), Math.cos(down), Math.sin(down) * Math.cos(around));
        this.camera.position.copy(this.controls.target).addScaledVector(arm, reach);
        this.calls.turned(null);
      }
      this.controls.update();
      this.redraw();
    }

    /**
     * Show a shape: points, vertices (or null), reference (points, or null), colours of
     * the vertices (or null), within (what of them is hatched, or null), arrows ({from, by}, or null), mm (of one unit, or null).
     * Moves over to it if asked.
     */
    show(shape, moving) {
      const from = this.shown;
      const usable = moving && !this.still.matches && from.points.every(Number.isFinite) && shape.points.every(Number.isFinite);
      this.target = shape;
      this.morph = usable ? { from, began: performance.now() } : null;
      if (!usable) this.place(shape);
      this.redraw();
    }

    place(shape) {
      this.shown = shape;
      if (!this.mesh || !shape.vertices) return;
      this.geometry.attributes.position.array.set(shape.vertices);
      this.geometry.attributes.position.needsUpdate = true;
      if (shape.colours) {
        this.geometry.attributes.color.array.set(shape.colours);
        this.geometry.attributes.color.needsUpdate = true;
        const { within } = this.geometry.attributes;
        if (shape.within) within.array.set(shape.within.values);
        else within.array.fill(0);
        within.needsUpdate = true;
        if (shape.within) {
          this.hatching.hatchGround.value.set(shape.within.ground);
          this.hatching.hatchLines.value.set(shape.within.lines);
        }
      }
      this.geometry.computeVertexNormals();
      this.geometry.boundingSphere = null;
    }

    /** A shape on the way between two. */
    between(now) {
      const { from, began } = this.morph;
      const t = Math.min((now - began) / MORPH, 1);
      if (t >= 1) {
        this.morph = null;
        return this.place(this.target);
      }
      const s = t * t * (3 - 2 * t);
      const mix = (a, b) => (a && b ? b.map((value, i) => a[i] + s * (value - a[i])) : b);
      this.place({ ...this.target, points: mix(from.points, this.target.points), vertices: mix(from.vertices, this.target.vertices) });
      this.redraw();
    }

    set(options) {
      Object.assign(this.options, options);
      this.redraw();
    }

    choose(index) {
      this.chosen = index;
      this.redraw();
    }

    redraw() {
      if (this.waiting) return;
      this.waiting = true;
      requestAnimationFrame((now) => {
        this.waiting = false;
        if (this.morph) this.between(now);
        this.draw();
      });
    }

    draw() {
      if (!this.width || !this.colours) return;
      this.camera.updateMatrixWorld();
      this.unit = (this.camera.right - this.camera.left) / this.camera.zoom / this.width; // of one pixel
      this.away = this.camera.getWorldDirection(new this.THREE.Vector3());
      if (this.mesh) {
        this.mesh.visible = this.options.surface && Boolean(this.shown.vertices);
        this.mesh.material = this.shown.colours ? this.heated : this.plain;
      }
      this.drawPoints();
      this.drawLinks();
      this.drawArrows();
      this.renderer.render(this.scene, this.camera);
      this.frames += 1;
      this.drawTag();
      this.drawCompass();
      this.drawScale();
    }

    at(points, i) {
      return new this.THREE.Vector3(points[3 * i], points[3 * i + 1], points[3 * i + 2]);
    }

    isShown(i) {
      if (!Number.isFinite(this.shown.points[3 * i])) return false;
      return this.bone.kinds[i] === "landmark" ? this.options.landmarks : this.options.other;
    }

    /** A ball of so many pixels, drawn towards the eye so that the surface does not cut it. */
    ball(place, pixels) {
      place.addScaledVector(this.away, -PIXELS.landmark * this.unit);
      const matrix = new this.THREE.Matrix4().makeScale(pixels * this.unit, pixels * this.unit, pixels * this.unit);
      return matrix.setPosition(place);
    }

    drawPoints() {
      const { points } = this.shown;
      const { kinds } = this.bone;
      const big = this.pointed >= 0 ? this.pointed : this.chosen;
      const size = (i) => (kinds[i] === "landmark" ? PIXELS.landmark : PIXELS.other);
      const seen = kinds.map((_, i) => i).filter((i) => this.isShown(i) && i !== big);
      this.balls.lay(seen.map((i) => this.ball(this.at(points, i), size(i))), this.colours.mark);
      this.halos.lay(seen.map((i) => this.ball(this.at(points, i), size(i) + PIXELS.halo)), this.colours.halo);
      const there = big >= 0 && Number.isFinite(points[3 * big]);
      this.choice.lay([there && this.ball(this.at(points, big), PIXELS.chosen)], this.colours.chosen);
    }

    /** A body of unit length along y, laid from a to b. */
    laid(a, b, thick) {
      const along = b.clone().sub(a);
      const length = along.length();
      if (!(length > 0)) return null;
      const turn = new this.THREE.Quaternion().setFromUnitVectors(new this.THREE.Vector3(UP.x, UP.y, UP.z), along.divideScalar(length));
      const size = new this.THREE.Vector3(thick * this.unit, length, thick * this.unit);
      return new this.THREE.Matrix4().compose(a.clone().add(b).multiplyScalar(0.5), turn, size);
    }

    drawLinks() {
      const { outline } = this.bone;
      const { points, reference } = this.shown;
      const shown = this.options.outline || !this.shown.vertices || !this.options.surface;
      const all = (shape, thick) => outline.map(([a, b]) => this.laid(this.at(shape, a), this.at(shape, b), thick));
      this.rods.lay(shown ? all(points, PIXELS.line) : [], this.colours.line);
      const compared = reference && this.options.reference;
      this.referenceRods.lay(compared ? all(reference, PIXELS.reference) : [], this.colours.reference);
    }

    drawArrows() {
      const { arrows } = this.shown;
      const shafts = [];
      const tips = [];
      this.bone.kinds.forEach((kind, i) => {
        if (!arrows || !Number.isFinite(arrows.by[3 * i])) return;
        if (kind !== "landmark" && !this.options.other) return;
        const from = this.at(arrows.from, i);
        const by = this.at(arrows.by, i);
        const length = by.length();
        if (!length) return;
        const head = Math.min(9 * this.unit, 0.6 * length);
        const to = from.clone().add(by);
        const neck = to.clone().addScaledVector(by, -head / length);
        shafts.push(this.laid(from, neck, PIXELS.arrow));
        tips.push(this.laid(neck, to, Math.min(3.6, head / this.unit / 2)));
      });
      this.shafts.lay(shafts, this.colours.arrow);
      this.tips.lay(tips, this.colours.arrow);
    }

    /** Pixels of a place on the canvas, and its depth. */
    onScreen(place) {
      const seen = place.clone().project(this.camera);
      return { x: ((seen.x + 1) / 2) * this.width, y: ((1 - seen.y) / 2) * this.height, depth: seen.z };
    }

    hidden(place) {
      if (!this.mesh || !this.mesh.visible) return false;
      const start = place.clone().addScaledVector(this.away, -this.radius * 4);
      this.ray.set(start, this.away);
      const hit = this.ray.intersectObject(this.mesh)[0];
      return Boolean(hit) && hit.distance < this.radius * 4 - 0.02 * this.radius;
    }

    /** The landmark under the pointer: one in sight before one that the bone hides. */
    nearest(x, y) {
      const near = [];
      for (let i = 0; i < this.bone.kinds.length; i++) {
        if (!this.isShown(i)) continue;
        const place = this.at(this.shown.points, i);
        const seen = this.onScreen(place);
        const distance = Math.hypot(seen.x - x, seen.y - y);
        if (distance <= REACH) near.push({ i, distance, place });
      }
      for (const one of near) one.hidden = this.hidden(one.place);
      near.sort((a, b) => a.hidden - b.hidden || a.distance - b.distance);
      return near.length ? near[0].i : -1;
    }

    point(event) {
      if (event && event.buttons) return; // turning
      let index = -1;
      if (event) {
        const box = this.parts.canvas.getBoundingClientRect();
        index = this.nearest(event.clientX - box.left, event.clientY - box.top);
      }
      if (event && event.type === "pointerup" && this.pressed && Math.hypot(event.clientX - this.pressed[0], event.clientY - this.pressed[1]) < 5) {
        this.calls.picked(index);
      }
      if (index === this.pointed) return;
      this.pointed = index;
      this.redraw();
    }

    /** Name and definition beside the landmark that is pointed at, or else chosen. */
    drawTag() {
      const { tag } = this.parts;
      const index = this.pointed >= 0 ? this.pointed : this.chosen;
      tag.hidden = index < 0 || !Number.isFinite(this.shown.points[3 * index]);
      if (tag.hidden) return;
      const place = this.at(this.shown.points, index);
      const seen = this.onScreen(place);
      const [name, text] = tag.children;
      const far = this.hidden(place) ? " (on the side turned away)" : "";
      name.textContent = this.bone.names[index] + far;
      text.textContent = this.bone.definitions[index];
      const { offsetWidth: wide, offsetHeight: tall } = tag;
      const right = seen.x + 14 + wide <= this.width - 4;
      const left = right ? seen.x + 14 : Math.max(seen.x - 14 - wide, 4);
      const above = seen.y - 12 - tall >= 4;
      const top = above ? seen.y - 12 - tall : Math.min(seen.y + 14, this.height - tall - 4);
      tag.style.transform = `translate(${Math.round(left)}px, ${Math.round(top)}px)`;
    }

    /** Which way the bone's own directions point. */
    drawCompass() {
      const turn = this.camera.matrixWorldInverse.elements;
      const long = 22;
      const arms = this.bone.towards.map((name, axis) => ({
        name, x: turn[4 * axis] * long, y: -turn[4 * axis + 1] * long, z: turn[4 * axis + 2],
      }));
      arms.sort((a, b) => a.z - b.z);
      const lines = viewer.svg("g");
      for (const arm of arms) {
        if (Math.hypot(arm.x, arm.y) < long * 0.25) continue;
        const flat = Math.abs(arm.x) > Math.abs(arm.y);
        const label = viewer.svg("text", {
          x: (arm.x + (flat ? Math.sign(arm.x) * 5 : 0)).toFixed(1),
          y: (arm.y + (flat ? 3.5 : arm.y > 0 ? 12 : -5)).toFixed(1),
          "text-anchor": flat ? (arm.x > 0 ? "start" : "end") : "middle",
        });
        label.textContent = viewer.short(arm.name, 14);
        lines.append(viewer.svg("line", { x1: 0, y1: 0, x2: arm.x.toFixed(1), y2: arm.y.toFixed(1) }), label);
      }
      this.parts.compass.replaceChildren(lines);
      const box = lines.getBBox(); // into the corner, whichever way the names stand
      lines.setAttribute("transform", `translate(${(10 - box.x).toFixed(1)} ${(82 - box.y - box.height).toFixed(1)})`);
    }

    drawScale() {
      const { scale } = this.parts;
      const { mm } = this.shown;
      scale.hidden = !mm;
      if (!mm) return;
      const mmPerPixel = this.unit * mm;
      const most = 130 * mmPerPixel;
      const ten = 10 ** Math.floor(Math.log10(most));
      const length = [5, 2, 1].map((n) => n * ten).find((n) => n <= most);
      scale.children[0].textContent = `${viewer.plain(length)} mm`;
      scale.children[1].style.width = `${(length / mmPerPixel).toFixed(1)}px`;
    }
  };
})();
