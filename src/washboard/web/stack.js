// All channels under one another on one time axis, drawn on one canvas the size of what is on the screen.
// Data comes as lowest and highest value per pixel from a binary route, for the panes on the screen only.
const GUTTER = 186, AXIS = 22, STRIP = 26;

export default {
  template: `
    <div class="wb-stack" ref="root" tabindex="0" role="application" :aria-label="label" @keydown="key">
      <div class="top">
        <div class="corner"><span ref="clock"></span></div>
        <canvas ref="strip" @pointerdown="stripDown" @pointermove="stripMove" @pointerup="stripUp"></canvas>
      </div>
      <div class="scroll" ref="scroll" :style="{height: view + 'px'}" @scroll="scrolled">
        <div class="pin">
          <canvas ref="canvas"></canvas>
          <canvas ref="over" @pointerdown="down" @pointermove="move" @pointerup="up" @pointerleave="leave" @dblclick="whole" @wheel="wheel"></canvas>
        </div>
        <div class="rows" :style="{height: panes.length * pane + 'px'}">
          <div class="row" v-for="(p, i) in panes" :key="p.name" :style="{top: i * pane + 'px', height: pane + 'px'}" :title="p.description || p.name">
            <b>{{ p.name }}</b><span :ref="'v' + i">{{ p.shown }}</span>
          </div>
        </div>
      </div>
      <div class="tip" ref="tip" hidden></div>
    </div>`,
  props: { panes: Array, layers: Array, duration: Number, start: Number, end: Number, marks: Array, pane: Number, view: Number, label: String, remember: Boolean },
  data: () => ({ from: 0, to: 1 }),
  created() {
    this.cache = new Map(); this.flight = false; this.wanted = false; this.range = 0; this.scales = new Map();
    this.held = false; this.past = []; this.since = 0;
    this.from = this.start ?? 0; this.to = this.end ?? this.duration;
  },
  mounted() {
    this.sizes = new ResizeObserver(() => this.size());
    this.sizes.observe(this.$refs.root);
    this.theme = new MutationObserver(() => { this.colours(); this.draw(); });
    this.theme.observe(document.body, { attributes: true, attributeFilter: ["class"] });
    this.since = performance.now();
    this.colours(); this.size();
  },
  unmounted() { this.sizes.disconnect(); this.theme.disconnect(); },
  watch: {
    panes() { this.fresh(); }, layers() { this.fresh(); }, marks() { this.draw(); }, pane() { this.$nextTick(() => this.size()); },
    view() { this.$nextTick(() => this.size()); },
    duration() { this.from = 0; this.to = this.duration; this.fresh(); },
  },
  methods: {
    fresh() { this.cache.clear(); this.scales.clear(); this.range++; this.since = performance.now(); this.$nextTick(() => { this.draw(); this.ask(); }); },
    colours() {
      const style = getComputedStyle(document.body), get = (name) => style.getPropertyValue(name).trim();
      this.c = { ink: get("--ink"), quiet: get("--quiet"), line: get("--line"), hair: get("--hair"), grid: get("--grid"), accent: get("--accent"),
        mark: get("--mark"), mended: get("--mended"), join: get("--join"), l: [0, 1, 2, 3, 4, 5, 6].map((n) => get("--l" + n)) };
    },
    size() {
      if (!this.$refs.root) return;
      const width = this.$refs.root.clientWidth - GUTTER - (this.$refs.scroll.offsetWidth - this.$refs.scroll.clientWidth);
      if (width < 60) return;
      const changed = width !== this.width;
      this.width = width; this.ratio = window.devicePixelRatio || 1;
      for (const [canvas, height] of [[this.$refs.canvas, this.view], [this.$refs.over, this.view], [this.$refs.strip, AXIS + STRIP]]) {
        canvas.width = Math.round(width * this.ratio); canvas.height = Math.round(height * this.ratio);
        canvas.style.width = width + "px"; canvas.style.height = height + "px";
      }
      if (changed) this.range++;
      this.draw(); this.ask();
    },
    visible() {
      const top = this.$refs.scroll.scrollTop, first = Math.max(0, Math.floor(top / this.pane));
      return [first, Math.min(this.panes.length, Math.ceil((top + this.view) / this.pane))];
    },
    scrolled() { if (!this.pending) this.pending = requestAnimationFrame(() => { this.pending = 0; this.draw(); this.ask(); }); },
    // one request in flight; the newest wish wins
    async ask() {
      if (!this.width) return;
      if (this.flight) { this.wanted = true; return; }
      const [first, last] = this.visible(), channels = [];
      for (let i = first; i < last; i++) if ((this.cache.get(i) || {}).range !== this.range) channels.push([i, this.panes[i].name, this.panes[i].unit]);
      if (!channels.length || !this.layers.length) { this.settled(); return; }
      this.flight = true;
      const range = this.range, since = this.since;
      const question = { files: this.layers.map((l) => l.file), offsets: this.layers.map((l) => l.offset || 0), channels, from: this.from, to: this.to, bins: Math.round(this.width) };
      try {
        const answer = await fetch("/series?q=" + encodeURIComponent(JSON.stringify(question)));
        if (!answer.ok) throw new Error(await answer.text());
        this.take(await answer.arrayBuffer(), range, channels);
        this.failed = "";
      } catch (error) { this.failed = String(error.message || error); this.$emit("trouble", this.failed); }
      this.flight = false;
      if (!this.$refs.canvas) return;
      if (this.failed) { this.draw(); return; }
      this.draw();
      if (range === this.range && since) { performance.measure("stack-shown", { start: since, end: performance.now() }); this.since = 0; }
      if (this.wanted || range !== this.range) { this.wanted = false; this.ask(); } else { this.ask(); }
    },
    settled() {
      this.$refs.root.dataset.settled = String(this.range);
      clearTimeout(this.later);
      this.later = setTimeout(() => {
        const place = { from: +this.from.toFixed(4), to: +this.to.toFixed(4) };
        this.$emit("shown", place);
        if (this.remember && window.washboard) window.washboard.place(this.from <= 0 && this.to >= this.duration ? { from: null, to: null } : place);
      }, 150);
    },
    take(buffer, range, channels) {
      const bytes = new DataView(buffer), n = bytes.getUint32(0, true), heads = [];
      let at = 4;
      for (let k = 0; k < n; k++, at += 32) heads.push({ layer: bytes.getUint32(at, true), channel: bytes.getUint32(at + 4, true), n: bytes.getUint32(at + 8, true), whole: bytes.getUint32(at + 12, true), t0: bytes.getFloat64(at + 16, true), dt: bytes.getFloat64(at + 24, true) });
      for (const [i] of channels) this.cache.set(i, { range, lines: [] });
      for (const h of heads) {
        h.low = new Float32Array(buffer, at, h.n); at += 4 * h.n;
        h.high = h.whole ? h.low : new Float32Array(buffer, at, h.n); if (!h.whole) at += 4 * h.n;
        this.cache.get(h.channel).lines.push(h);
      }
      if (!this.held) for (const [i] of channels) {
        let low = Infinity, high = -Infinity;
        for (const h of this.cache.get(i).lines) for (let k = 0; k < h.n; k++) { if (h.low[k] < low) low = h.low[k]; if (h.high[k] > high) high = h.high[k]; }
        if (!(low <= high)) { low = 0; high = 0; }
        if (low === high) { low -= 0.5; high += 0.5; }
        const room = (high - low) * 0.06;
        this.scales.set(i, [low - room, high + room, low, high]);
      }
    },
    x(t) { return ((t - this.from) / (this.to - this.from)) * this.width; },
    t(x) { return this.from + (x / this.width) * (this.to - this.from); },
    draw() {
      if (!this.width || !this.$refs.canvas) return;
      const pen = this.$refs.canvas.getContext("2d"), top = this.$refs.scroll.scrollTop, [first, last] = this.visible();
      pen.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
      pen.clearRect(0, 0, this.width, this.view);
      pen.lineWidth = 1; pen.strokeStyle = this.c.grid; pen.beginPath();
      for (const t of this.ticks()) { const x = Math.round(this.x(t)) + 0.5; pen.moveTo(x, 0); pen.lineTo(x, this.view); }
      pen.stroke();
      for (let i = first; i < last; i++) {
        const y0 = i * this.pane - top, entry = this.cache.get(i), scale = this.scales.get(i);
        pen.save(); pen.beginPath(); pen.rect(0, y0, this.width, this.pane); pen.clip();
        this.drawMarks(pen, i, y0);
        if (entry && scale) {
          const y = (v) => y0 + 3 + (1 - (v - scale[0]) / (scale[1] - scale[0])) * (this.pane - 6);
          if (scale[0] < 0 && scale[1] > 0) { pen.strokeStyle = this.c.line; pen.beginPath(); pen.moveTo(0, Math.round(y(0)) + 0.5); pen.lineTo(this.width, Math.round(y(0)) + 0.5); pen.stroke(); }
          for (const line of entry.lines) this.drawLine(pen, line, y, this.c.l[(this.layers[line.layer]?.colour ?? line.layer) % 7]);
        }
        pen.restore();
        pen.strokeStyle = this.c.hair; pen.beginPath(); pen.moveTo(0, Math.round(y0 + this.pane) - 0.5); pen.lineTo(this.width, Math.round(y0 + this.pane) - 0.5); pen.stroke();
        if (scale && this.hover === undefined) this.say(i, this.number(scale[2]) + " to " + this.number(scale[3]));
      }
      this.drawStrip();
    },
    drawLine(pen, h, y, colour) {
      pen.strokeStyle = colour; pen.fillStyle = colour; pen.globalAlpha = this.layers.length > 1 ? 0.78 : 1; pen.lineWidth = 1.1; pen.lineJoin = "round";
      const step = (h.dt / (this.to - this.from)) * this.width, x0 = this.x(h.t0);
      pen.beginPath();
      let broken = true;
      if (h.whole) {
        for (let k = 0; k < h.n; k++) {
          if (h.low[k] !== h.low[k]) { broken = true; continue; }
          if (broken) pen.moveTo(x0 + k * step, y(h.low[k])); else pen.lineTo(x0 + k * step, y(h.low[k]));
          broken = false;
        }
        pen.stroke();
      } else {
        // One upright bar per stretch, reaching to its neighbour, so that the line has no gaps and no peak is lost;
        // bars on whole pixels are many times quicker to fill than a line is to stroke.
        const wide = Math.max(1, Math.ceil(step * this.ratio) / this.ratio);
        let top = 0, foot = 0;
        for (let k = 0; k < h.n; k++) {
          if (h.low[k] !== h.low[k]) { broken = true; continue; }
          let a = y(h.high[k]), b = y(h.low[k]);
          const nextTop = a, nextFoot = b;
          if (!broken) { if (a > foot) a = foot; if (b < top) b = top; }
          const x = Math.round((x0 + k * step) * this.ratio) / this.ratio;
          pen.fillRect(x, a, wide, Math.max(1, b - a));
          top = nextTop; foot = nextFoot; broken = false;
        }
      }
      pen.globalAlpha = 1;
    },
    drawMarks(pen, i, y0) {
      for (const mark of this.marks || []) {
        if (mark.pane !== -1 && mark.pane !== i) continue;
        const a = this.x(mark.from), b = this.x(mark.to);
        if (b < 0 || a > this.width) continue;
        const colour = mark.kind === "repaired" ? this.c.mended : mark.kind === "join" ? this.c.join : mark.kind === "kept" ? this.c.mended : this.c.mark;
        pen.fillStyle = colour; pen.globalAlpha = 0.16; pen.fillRect(a, y0, Math.max(3, b - a), this.pane);
        pen.globalAlpha = 1; pen.fillRect(a, y0, Math.max(3, b - a), 3);
      }
    },
    drawStrip() {
      const pen = this.$refs.strip.getContext("2d"), whole = (t) => (t / this.duration) * this.width;
      pen.setTransform(this.ratio, 0, 0, this.ratio, 0, 0); pen.clearRect(0, 0, this.width, AXIS + STRIP);
      pen.fillStyle = this.c.grid; pen.fillRect(0, 8, this.width, STRIP - 14);
      for (const mark of this.marks || []) { pen.fillStyle = mark.kind === "repaired" || mark.kind === "kept" ? this.c.mended : mark.kind === "join" ? this.c.join : this.c.mark; pen.fillRect(whole(mark.from), 8, Math.max(2, whole(mark.to) - whole(mark.from)), STRIP - 14); }
      pen.strokeStyle = this.c.accent; pen.lineWidth = 2; pen.strokeRect(whole(this.from) + 1, 4, Math.max(4, whole(this.to) - whole(this.from)) - 2, STRIP - 6);
      pen.fillStyle = this.c.quiet; pen.font = "12px system-ui, sans-serif"; pen.textAlign = "center"; pen.textBaseline = "middle";
      const step = this.tickStep();
      for (const t of this.ticks()) { const x = this.x(t); if (x > 18 && x < this.width - 26) pen.fillText(this.time(t, step), x, STRIP + AXIS / 2); pen.fillRect(Math.round(x), STRIP + AXIS - 4, 1, 4); }
      this.$refs.clock.textContent = this.time(this.from, step) + " to " + this.time(this.to, step) + " s";
    },
    tickStep() {
      const rough = ((this.to - this.from) / this.width) * 110, power = 10 ** Math.floor(Math.log10(rough));
      return [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough);
    },
    ticks() { const step = this.tickStep(), out = []; for (let t = Math.ceil(this.from / step) * step; t <= this.to; t += step) out.push(t); return out; },
    time(t, step) { return t.toFixed(Math.max(0, Math.min(5, -Math.floor(Math.log10(step))))); },
    number(v) { const a = Math.abs(v); return a === 0 ? "0" : a >= 1e5 || a < 1e-3 ? v.toExponential(2) : String(+v.toPrecision(4)); },
    say(i, words) { const cell = this.$refs["v" + i], el = Array.isArray(cell) ? cell[0] : cell; if (el) el.textContent = words + " " + this.panes[i].shown; },
    // going somewhere
    to_(from, to, keep = true) {
      const least = 0.004, length = Math.min(this.duration, Math.max(least, to - from));
      from = Math.min(Math.max(0, from), this.duration - length); to = from + length;
      if (from === this.from && to === this.to) return;
      if (keep) { this.past.push([this.from, this.to]); if (this.past.length > 60) this.past.shift(); }
      this.from = from; this.to = to; this.range++; this.since = performance.now();
      delete this.$refs.root.dataset.settled;
      this.draw(); this.ask();
    },
    go(from, to, pane) {
      if (pane >= 0) this.$refs.scroll.scrollTop = Math.max(0, pane * this.pane - this.view / 3);
      this.to_(from, to);
    },
    whole() { this.to_(0, this.duration); },
    back() { const last = this.past.pop(); if (last) this.to_(last[0], last[1], false); },
    hold(held) { this.held = held; if (!held) { this.range++; this.ask(); } },
    zoom(factor, centre = (this.from + this.to) / 2) { this.to_(centre - (centre - this.from) * factor, centre + (this.to - centre) * factor); },
    shift(share) { const by = (this.to - this.from) * share; if (by < 0 ? this.from > 0 : this.to < this.duration) this.to_(this.from + by, this.to + by); },
    key(event) {
      const act = { ArrowLeft: () => this.shift(-0.25), ArrowRight: () => this.shift(0.25), "+": () => this.zoom(0.5), "=": () => this.zoom(0.5), "-": () => this.zoom(2), Home: () => this.whole(), Backspace: () => this.back(),
        ArrowDown: () => { this.$refs.scroll.scrollTop += this.pane; }, ArrowUp: () => { this.$refs.scroll.scrollTop -= this.pane; } }[event.key];
      if (!act || event.ctrlKey || event.altKey || event.metaKey) return;
      event.preventDefault(); act();
    },
    wheel(event) {
      if (event.ctrlKey) { event.preventDefault(); this.zoom(event.deltaY > 0 ? 1.35 : 0.74, this.t(event.offsetX)); }
      else if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) { event.preventDefault(); this.shift((event.deltaX || event.deltaY) / 1200); }
    },
    down(event) { if (event.button) return; event.target.setPointerCapture(event.pointerId); this.$refs.root.focus({ preventScroll: true }); this.drag = { x: event.offsetX, slide: event.shiftKey, from: this.from, to: this.to }; },
    move(event) {
      const x = event.offsetX;
      if (this.drag && this.drag.slide) { const by = ((this.drag.x - x) / this.width) * (this.drag.to - this.drag.from); this.to_(this.drag.from + by, this.drag.to + by, false); return; }
      this.hover = x; this.overlay(x, event.offsetY);
    },
    up(event) {
      const drag = this.drag; this.drag = null; this.overlay(event.offsetX, event.offsetY);
      if (!drag) return;
      if (!drag.slide && Math.abs(event.offsetX - drag.x) > 4) this.to_(this.t(Math.min(drag.x, event.offsetX)), this.t(Math.max(drag.x, event.offsetX)));
      else if (!drag.slide) { const hit = this.under(event.offsetX, event.offsetY); if (hit >= 0) this.$emit("pick", hit); }
    },
    leave() { if (this.drag) return; this.hover = undefined; this.$refs.tip.hidden = true; this.$refs.over.getContext("2d").clearRect(0, 0, 1e5, 1e5); this.draw(); },
    under(x, y) {
      const pane = Math.floor((y + this.$refs.scroll.scrollTop) / this.pane);
      return (this.marks || []).findIndex((m) => (m.pane === -1 || m.pane === pane) && this.x(m.from) - 4 <= x && x <= Math.max(this.x(m.to), this.x(m.from) + 3) + 4);
    },
    overlay(x, y) {
      const pen = this.$refs.over.getContext("2d"), [first, last] = this.visible(), t = this.t(x);
      pen.setTransform(this.ratio, 0, 0, this.ratio, 0, 0); pen.clearRect(0, 0, this.width, this.view);
      if (this.drag) { pen.fillStyle = this.c.accent; pen.globalAlpha = 0.18; pen.fillRect(Math.min(this.drag.x, x), 0, Math.abs(x - this.drag.x), this.view); pen.globalAlpha = 1; }
      pen.strokeStyle = this.c.quiet; pen.beginPath(); pen.moveTo(Math.round(x) + 0.5, 0); pen.lineTo(Math.round(x) + 0.5, this.view); pen.stroke();
      this.$refs.clock.textContent = "at " + t.toFixed(3) + " s";
      for (let i = first; i < last; i++) {
        const parts = [];
        for (const h of (this.cache.get(i) || { lines: [] }).lines) { const k = h.whole ? Math.round((t - h.t0) / h.dt) : Math.floor((t - h.t0) / h.dt); if (k >= 0 && k < h.n) parts.push(h.whole ? this.number(h.low[k]) : this.number(h.low[k]) + "…" + this.number(h.high[k])); }
        this.say(i, parts.join(" | ") || "no value");
      }
      const hit = this.under(x, y), tip = this.$refs.tip;
      tip.hidden = hit < 0;
      if (hit >= 0) { tip.textContent = this.marks[hit].text; tip.style.left = Math.min(GUTTER + x + 12, this.$refs.root.clientWidth - 390) + "px"; tip.style.top = Math.max(4, y + AXIS + STRIP - 10) + "px"; }
    },
    stripDown(event) { event.target.setPointerCapture(event.pointerId); this.grip = true; this.stripTo(event.offsetX); },
    stripMove(event) { if (this.grip) this.stripTo(event.offsetX); },
    stripUp() { this.grip = false; },
    stripTo(x) { const half = (this.to - this.from) / 2, t = (x / this.width) * this.duration; this.to_(t - half, t + half, false); },
  },
};
