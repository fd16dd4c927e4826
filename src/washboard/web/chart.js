// Lines over one axis (spectra, counts, damage, errors) with uPlot: zoom by dragging, values under the pointer.
import uPlot from "uplot";

export default {
  template: `<div class="wb-chart" ref="root" role="img" :aria-label="label"></div>`,
  props: { x: Array, lines: Array, xLabel: String, yLabel: String, xLog: Boolean, yLog: Boolean, height: Number, label: String, bands: Array, xRange: Array, yRange: Array, sync: String },
  mounted() {
    this.sizes = new ResizeObserver(() => { const width = this.$refs.root.clientWidth; if (this.plot && width > 60 && width !== this.plot.width) this.plot.setSize({ width, height: this.height }); else if (!this.plot) this.make(); });
    this.sizes.observe(this.$refs.root);
    this.theme = new MutationObserver(() => this.make());
    this.theme.observe(document.body, { attributes: true, attributeFilter: ["class"] });
    this.make();
  },
  unmounted() { this.sizes.disconnect(); this.theme.disconnect(); this.plot?.destroy(); },
  watch: { x() { this.later(); }, lines() { this.later(); }, bands() { this.later(); }, yLog() { this.later(); }, xLabel() { this.later(); }, yLabel() { this.later(); } },
  methods: {
    later() { clearTimeout(this.soon); this.soon = setTimeout(() => this.fill(), 0); },
    shape() { return JSON.stringify([this.lines.map((l) => [l.name, l.colour, l.dash, l.points]), this.xLog, this.yLog, this.xLabel, this.yLabel, this.bands]); },
    fill() { if (!this.plot || this.shape() !== this.made) this.make(); else this.plot.setData(this.values()); },
    values() { const positive = (v, log) => (log && !(v > 0) ? null : v); return [this.x, ...this.lines.map((line) => line.y.map((v) => positive(v, this.yLog)))]; },
    make() {
      const width = this.$refs.root.clientWidth;
      if (width < 60) return;
      this.plot?.destroy();
      this.made = this.shape();
      const style = getComputedStyle(document.body), get = (name) => style.getPropertyValue(name).trim();
      const axis = (label, log) => ({ label, stroke: get("--ink"), font: "12px system-ui, sans-serif", labelFont: "12px system-ui, sans-serif", labelSize: 22, grid: { stroke: get("--grid"), width: 1 }, ticks: { stroke: get("--line"), width: 1 },
        ...(log ? { values: (u, splits) => splits.map((v) => (v == null ? "" : Math.abs(Math.log10(v) - Math.round(Math.log10(v))) < 1e-6 ? this.short(v) : "")) } : { values: (u, splits) => splits.map((v) => this.short(v)) }) });
      const dashes = { solid: [], dash: [7, 5], dot: [2, 4] };
      const options = {
        width, height: this.height, cursor: { drag: { x: true, y: false }, ...(this.sync ? { sync: { key: this.sync } } : {}) },
        scales: { x: { time: false, distr: this.xLog ? 3 : 1, ...(this.xRange ? { range: this.xRange } : {}) }, y: { distr: this.yLog ? 3 : 1, ...(this.yRange ? { range: this.yRange } : {}) } },
        axes: [{ ...axis(this.xLabel, this.xLog), size: 34 }, { ...axis(this.yLabel, this.yLog), size: 64 }],
        series: [{ label: this.xLabel, value: (u, v) => (v == null ? "–" : this.short(v)) },
          ...this.lines.map((line) => ({ label: line.name, stroke: get("--l" + (line.colour % 7)), width: line.points ? 0 : 1.6, dash: dashes[line.dash || "solid"], spanGaps: !!line.gaps,
            points: line.points ? { show: true, size: 8, fill: get("--l" + (line.colour % 7)) } : { show: false }, value: (u, v) => (v == null ? "–" : this.short(v)) }))],
        hooks: { drawClear: [(u) => {
          for (const band of this.bands || []) {
            const a = u.valToPos(Math.max(band.from, u.scales.x.min), "x", true), b = u.valToPos(Math.min(band.to, u.scales.x.max), "x", true);
            if (!(b > a)) continue;
            u.ctx.save(); u.ctx.globalAlpha = 0.13; u.ctx.fillStyle = get(band.colour || "--mended"); u.ctx.fillRect(a, u.bbox.top, b - a, u.bbox.height); u.ctx.restore();
          }
        }] },
      };
      this.plot = new uPlot(options, this.values(), this.$refs.root);
      this.$refs.root.dataset.drawn = "yes";
    },
    short(v) { const a = Math.abs(v); return a === 0 ? "0" : a >= 1e5 || a < 1e-3 ? v.toExponential(Math.abs(Math.log10(a) % 1) < 1e-9 ? 0 : 1) : String(+v.toPrecision(6)); },
  },
};
