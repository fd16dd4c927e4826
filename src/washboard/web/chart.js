// Lines over one axis (spectra, counts, damage, errors) with uPlot: zoom by dragging, values under the pointer, lines
// hidden and shown by their key, and where asked for a point that can be moved along them.
import uPlot from "uplot";

export default {
  template: `<div class="wb-chart">
    <div ref="root" role="img" :aria-label="label"></div>
    <div class="keys">
      <button v-for="(line, n) in lines" :key="n" type="button" :aria-pressed="String(!hidden[n])" :title="(hidden[n] ? 'Show ' : 'Hide ') + line.name" @click="flip(n)">
        <i :class="line.dash" :style="{ '--c': 'var(--l' + (line.colour % 7) + ')' }"></i>{{ line.name }}<span v-if="under" class="value">{{ under.values[n] }}</span></button>
      <span v-if="under" class="where">{{ xLabel }}: {{ under.x }}</span>
    </div>
  </div>`,
  props: { x: Array, lines: Array, xLabel: String, yLabel: String, xLog: Boolean, yLog: Boolean, xWhole: Boolean, height: Number, label: String, bands: Array, handle: Number, sync: String },
  data: () => ({ hidden: {}, under: null }),
  mounted() {
    this.sizes = new ResizeObserver(() => { const width = this.$refs.root.clientWidth; if (this.plot && width > 60 && width !== this.plot.width) this.plot.setSize({ width, height: this.height }); else if (!this.plot) this.make(); });
    this.sizes.observe(this.$refs.root);
    this.theme = new MutationObserver(() => this.make());
    this.theme.observe(document.body, { attributes: true, attributeFilter: ["class"] });
    this.make();
  },
  unmounted() { this.sizes.disconnect(); this.theme.disconnect(); this.plot?.destroy(); },
  watch: { x() { this.later(); }, lines() { this.later(); }, bands() { this.later(); }, yLog() { this.later(); }, xLabel() { this.later(); }, yLabel() { this.later(); },
    handle() { if (!this.dragging) this.plot?.redraw(false); } },
  methods: {
    later() { clearTimeout(this.soon); this.soon = setTimeout(() => this.fill(), 0); },
    shape() { return JSON.stringify([this.lines.map((l) => [l.name, l.colour, l.dash, l.points]), this.xLog, this.yLog, this.xLabel, this.yLabel, this.bands]); },
    fill() { if (!this.plot || this.shape() !== this.made) { this.hidden = {}; this.make(); } else this.plot.setData(this.values()); },
    values() { const positive = (v, log) => (log && !(v > 0) ? null : v); return [this.x, ...this.lines.map((line) => line.y.map((v) => positive(v, this.yLog)))]; },
    flip(n) { this.hidden = { ...this.hidden, [n]: !this.hidden[n] }; this.plot?.setSeries(n + 1, { show: !this.hidden[n] }); },
    make() {
      if (!this.$refs.root) return;
      const width = this.$refs.root.clientWidth;
      if (width < 60) return;
      this.plot?.destroy();
      this.made = this.shape();
      const style = getComputedStyle(document.body), get = (name) => style.getPropertyValue(name).trim();
      // on a logarithmic axis of few decades 2 and 5 are named too
      const named = (v, log, few) => { const part = v / 10 ** Math.floor(Math.log10(v) + 1e-9); return !log || Math.abs(part - 1) < 1e-6 || (few && (Math.abs(part - 2) < 1e-6 || Math.abs(part - 5) < 1e-6)); };
      const axis = (label, log, scale) => ({ label, stroke: get("--ink"), font: "12px system-ui, sans-serif", labelFont: "12px system-ui, sans-serif", labelSize: 22, grid: { stroke: get("--grid"), width: 1 }, ticks: { stroke: get("--line"), width: 1 }, filter: (u, splits) => splits,
        values: (u, splits) => splits.map((v) => (v == null || !named(v, log, u.scales[scale].max / u.scales[scale].min < 120) ? "" : this.short(v))) });
      const dashes = { solid: [], dash: [7, 5], dot: [2, 4] }, movable = this.handle != null;
      const options = {
        width, height: this.height, legend: { show: false },
        cursor: { drag: { x: !movable, y: false }, ...(this.sync ? { sync: { key: this.sync } } : {}) },
        scales: { x: { time: false, distr: this.xLog ? 3 : 1, ...(this.xLog ? { range: (u, min, max) => [min, max] } : {}) }, y: { distr: this.yLog ? 3 : 1 } },
        axes: [{ ...axis(this.xLabel, this.xLog, "x"), size: 34, ...(this.xWhole ? { incrs: [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000] } : {}) }, { ...axis(this.yLabel, this.yLog, "y"), size: 64 }],
        series: [{ label: this.xLabel },
          ...this.lines.map((line, n) => ({ label: line.name, show: !this.hidden[n], stroke: get("--l" + (line.colour % 7)), width: line.points ? 0 : 1.6, dash: dashes[line.dash || "solid"], spanGaps: !!line.gaps,
            points: line.points ? { show: true, size: 8, fill: get("--l" + (line.colour % 7)) } : { show: false } }))],
        hooks: {
          setCursor: [(u) => { const k = u.cursor.idx; this.under = k == null || u.cursor.left < 0 ? null : { x: this.short(u.data[0][k]), values: this.lines.map((l, n) => { const v = u.data[n + 1][k]; return v == null ? "–" : this.short(v); }) }; }],
          drawClear: [(u) => {
            for (const band of this.bands || []) {
              const a = u.valToPos(Math.max(band.from, u.scales.x.min), "x", true), b = u.valToPos(Math.min(band.to, u.scales.x.max), "x", true);
              if (!(b > a)) continue;
              u.ctx.save(); u.ctx.globalAlpha = 0.13; u.ctx.fillStyle = get(band.colour || "--mended"); u.ctx.fillRect(a, u.bbox.top, b - a, u.bbox.height); u.ctx.restore();
            }
          }],
          draw: [(u) => { if (movable) this.drawHandle(u, get); }],
        },
      };
      this.plot = new uPlot(options, this.values(), this.$refs.root);
      if (movable) this.listen(this.plot.over);
      this.$el.dataset.drawn = "yes";
    },
    drawHandle(u, get) {
      const at = this.at ?? this.handle, x = u.valToPos(at, "x", true), pen = u.ctx, ratio = devicePixelRatio || 1;
      pen.save(); pen.strokeStyle = get("--accent"); pen.lineWidth = 2 * ratio;
      pen.beginPath(); pen.moveTo(x, u.bbox.top); pen.lineTo(x, u.bbox.top + u.bbox.height); pen.stroke();
      const xs = u.data[0], k = Math.max(1, xs.findIndex((v) => v >= at)), part = Math.min(1, Math.max(0, (at - xs[k - 1]) / (xs[k] - xs[k - 1])));
      for (let n = 1; n < u.data.length; n++) {
        if (!u.series[n].show) continue;
        const a = u.data[n][k - 1], b = u.data[n][k]; if (a == null || b == null) continue;
        pen.fillStyle = get("--l" + (this.lines[n - 1].colour % 7)); pen.strokeStyle = get("--paper"); pen.lineWidth = 1.5 * ratio;
        pen.beginPath(); pen.arc(x, u.valToPos(a + part * (b - a), "y", true), 5 * ratio, 0, 7); pen.fill(); pen.stroke();
      }
      pen.restore();
    },
    listen(over) {
      over.style.cursor = "ew-resize";
      const go = (event) => {
        const xs = this.plot.data[0], box = over.getBoundingClientRect();
        this.at = Math.min(xs[xs.length - 1], Math.max(xs[0], this.plot.posToVal(event.clientX - box.left, "x")));
        this.plot.redraw(false);
        const now = performance.now(); if (now - (this.told || 0) > 60) { this.told = now; this.$emit("moved", this.at); }
      };
      over.addEventListener("pointerdown", (event) => { this.dragging = true; over.setPointerCapture(event.pointerId); go(event); });
      over.addEventListener("pointermove", (event) => { if (this.dragging) go(event); });
      over.addEventListener("pointerup", () => { if (!this.dragging) return; this.dragging = false; const at = this.at; this.at = null; this.$emit("moved", at); this.$emit("dropped", at); });
    },
    short(v) { const a = Math.abs(v); return a === 0 ? "0" : a >= 1e5 || a < 1e-3 ? v.toExponential(Math.abs(Math.log10(a) % 1) < 1e-9 ? 0 : 1) : String(+v.toPrecision(4)); },
  },
};
