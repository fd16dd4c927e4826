// The vehicle on its posts from the side and from behind, moving: a mode, or what a drive makes of all bodies.
const HEIGHT = 300, FLOOR = -1.2;

export default {
  template: `
    <div class="wb-moving" role="group" :aria-label="label">
      <canvas ref="canvas" role="img" :aria-label="said"></canvas>
      <div class="bar">
        <button type="button" @click="toggle" :disabled="waiting">{{ running ? 'Pause' : 'Play' }}</button>
        <template v-if="drive"><input type="range" min="0" :max="duration" step="0.01" v-model.number="at" @input="draw" aria-label="Time in the drive" :aria-valuetext="at.toFixed(2) + ' s'"><span class="at">{{ at.toFixed(2) }} s</span>
        <label>Enlarged <select v-model.number="gain" @change="draw"><option v-for="n in [1, 2, 4, 8, 16]" :value="n">{{ n }} times</option></select></label></template>
        <span>{{ drive ? (waiting ? 'working out what the body does …' : '') : 'slowed down, motion enlarged' }}</span>
        <span class="key" aria-hidden="true"><i class="rear"></i>rear part <i class="front"></i>front part and mounted parts</span>
      </div>
    </div>`,
  props: { shape: Object, mode: Object, drive: Object, label: String },
  data: () => ({ running: false, waiting: false, at: 0, duration: 1, said: "", gain: 4 }),
  mounted() {
    this.t = 0; this.rows = {};
    this.sizes = new ResizeObserver(() => this.draw()); this.sizes.observe(this.$refs.canvas.parentElement);
    this.theme = new MutationObserver(() => this.draw()); this.theme.observe(document.body, { attributes: true, attributeFilter: ["class"] });
    this.take();
    if (!this.drive && !matchMedia("(prefers-reduced-motion: reduce)").matches) this.toggle();
  },
  unmounted() { this.running = false; this.sizes.disconnect(); this.theme.disconnect(); },
  watch: { mode() { this.take(); }, drive() { this.take(); } },
  methods: {
    async take() {
      this.said = this.mode ? this.label + ": " + this.mode.words : this.label;
      if (this.drive) { this.duration = this.drive.duration; this.at = Math.min(this.at, this.duration); this.waiting = !this.drive.motion && !this.drive.failed; this.said = this.label + ": " + this.drive.words; await this.fetch(); }
      this.draw();
    },
    async fetch() {
      const d = this.drive, names = [...d.names.map((n) => [n, d.unit]), ...(d.motion ? d.dofs : [])];
      const q = { files: d.motion ? [d.file, d.motion] : [d.file], offsets: d.motion ? [0, 0] : [0], channels: names.map(([name, unit], n) => [n, name, unit]), from: 0, to: d.duration, bins: 8000 };
      const answer = await fetch("/series?q=" + encodeURIComponent(JSON.stringify(q)));
      if (!answer.ok || d !== this.drive) { this.rows = {}; return; }
      const buffer = await answer.arrayBuffer(), view = new DataView(buffer), n = view.getUint32(0, true), rows = {};
      let at = 4 + 32 * n;
      for (let k = 0; k < n; k++) {
        const head = 4 + 32 * k, channel = view.getUint32(head + 4, true), count = view.getUint32(head + 8, true), whole = view.getUint32(head + 12, true);
        const low = new Float32Array(buffer, at, count); at += 4 * count;
        const high = whole ? low : new Float32Array(buffer, at, count); if (!whole) at += 4 * count;
        rows[names[channel][0]] = { t0: view.getFloat64(head + 16, true), dt: view.getFloat64(head + 24, true), low, high };
      }
      this.rows = rows;
    },
    toggle() { this.running = !this.running; if (this.running) { this.last = performance.now(); requestAnimationFrame(this.tick); } },
    tick(now) {
      if (!this.running) return;
      const step = Math.min(0.1, (now - this.last) / 1000); this.last = now;
      if (this.drive) this.at = this.at + step > this.duration ? 0 : this.at + step; else this.t += step;
      this.draw(); requestAnimationFrame(this.tick);
    },
    // motion of a post or a degree of freedom as it is drawn: enlarged
    of(name) {
      if (this.drive) {
        const row = this.rows[name]; if (!row || !row.low.length) return 0;
        const k = Math.max(0, Math.min(row.low.length - 1, Math.round((this.at - row.t0) / row.dt)));
        return (this.gain * (row.low[k] + row.high[k])) / 2;
      }
      const held = this.mode && this.mode.values[name]; if (!held) return 0;
      const phase = 2 * Math.PI * 0.6 * this.t;
      return this.mode.scale * (held[0] * Math.cos(phase) - held[1] * Math.sin(phase));
    },
    // rise of the frame at a place on it
    frame(x, y) { const f = this.shape.frame; return this.of("heave") - (x - f.x) * this.of("pitch") + (y - f.cy) * this.of(x >= f.joint ? "roll front" : "roll rear"); },
    wheel(a, sign) {
      const h = (sign * a.track) / 2;
      if (a.kind === "independent") return this.of(a.name + (sign > 0 ? " left" : " right"));
      if (a.kind === "rigid") return this.frame(a.x, h);
      return this.of(a.name + " heave") + h * this.of(a.name + " roll");
    },
    part(p) { return p.dofs.includes("heave") ? this.of(p.name + " heave") : this.frame(p.x, p.y); },
    draw() {
      const canvas = this.$refs.canvas; if (!canvas) return;
      const width = canvas.parentElement.clientWidth - 2, height = HEIGHT, ratio = devicePixelRatio || 1;
      if (width < 100) return;
      canvas.width = width * ratio; canvas.height = height * ratio; canvas.style.height = height + "px";
      const pen = canvas.getContext("2d"), style = getComputedStyle(document.body), get = (n) => style.getPropertyValue(n).trim();
      pen.setTransform(ratio, 0, 0, ratio, 0, 0); pen.clearRect(0, 0, width, height); pen.lineJoin = "round";
      const s = this.shape, f = s.frame, top = Math.max(f.z + f.h / 2, ...s.parts.map((p) => p.z + p.size / 2)) + 0.7;
      const scale = Math.min((height - 30) / (top - FLOOR), (width * 0.62) / (s.reach[1] - s.reach[0]), (width * 0.3) / (f.w + 1.4));
      const y = (z) => height - 12 - (z - FLOOR) * scale, side = (x) => 20 + (s.reach[1] - x) * scale, rear = (v) => width - 20 - (f.w / 2 + 0.7) * scale - v * scale;
      const line = (points, colour, wide = 1.6) => { pen.strokeStyle = colour; pen.lineWidth = wide; pen.beginPath(); points.forEach(([a, b], k) => (k ? pen.lineTo(a, b) : pen.moveTo(a, b))); pen.stroke(); };
      const ring = (a, b, r, colour) => { pen.strokeStyle = colour; pen.lineWidth = 1.6; pen.beginPath(); pen.arc(a, b, r, 0, 7); pen.stroke(); };
      const ink = get("--ink"), faint = get("--line"), blue = get("--l0"), orange = get("--l1"), box = [[-1, -1], [1, -1], [1, 1], [-1, 1], [-1, -1]];
      pen.fillStyle = get("--quiet"); pen.font = "12px system-ui, sans-serif"; pen.textAlign = "left";
      pen.fillText("from the left side, front to the left", 20, 16); pen.textAlign = "right"; pen.fillText("from behind", width - 20, 16);
      for (const p of s.posts) {
        const near = p.y > 0, rise = this.drive ? this.of(p.name) : 0, colour = near ? ink : faint;
        line([[side(p.x) - 14, y(rise)], [side(p.x) + 14, y(rise)]], colour, 3); line([[side(p.x), y(rise)], [side(p.x), y(FLOOR)]], colour, near ? 2 : 1.2);
        if (p.last) { line([[rear(p.y) - 12, y(rise)], [rear(p.y) + 12, y(rise)]], ink, 3); line([[rear(p.y), y(rise)], [rear(p.y), y(FLOOR)]], ink, 2); }
      }
      for (const pin of s.pins) line([[side(pin.x), y(FLOOR)], [side(pin.x), y(pin.z + this.frame(pin.x, 0))]], ink, 5);
      for (const a of s.axles) {
        const left = this.wheel(a, 1), right = this.wheel(a, -1), h = a.track / 2;
        ring(side(a.x), y(a.r + (this.drive ? right : 0)), a.r * scale, faint); ring(side(a.x), y(a.r + left), a.r * scale, blue);
        if (!a.last) continue;
        const lean = a.kind === "independent" ? 0 : (left - right) / a.track;
        line([[rear(h), y(a.r + left)], [rear(-h), y(a.r + right)]], blue, 3);
        for (const [v, rise] of [[h, left], [-h, right]]) line([[rear(v + a.r * lean), y(rise)], [rear(v - a.r * lean), y(2 * a.r + rise)]], blue, 7);
      }
      const heave = this.of("heave"), pitch = this.of("pitch"), sway = this.of("sway");
      line(box.map(([a, b]) => [side(f.x + (a * f.l) / 2), y(f.z + (b * f.h) / 2)]), faint, 1.2); line(box.map(([a, b]) => [rear((a * f.w) / 2), y(f.z + (b * f.h) / 2)]), faint, 1.2);
      line(box.map(([a, b]) => [side(f.x + (a * f.l) / 2 + ((b * f.h) / 2) * pitch), y(f.z + (b * f.h) / 2 + heave - ((a * f.l) / 2) * pitch)]), blue, 2);
      for (const [end, colour] of [["rear", blue], ["front", orange]]) {
        const roll = this.of("roll " + end);
        line(box.map(([a, b]) => [rear((a * f.w) / 2 + sway - ((b * f.h) / 2) * roll), y(f.z + (b * f.h) / 2 + heave + ((a * f.w) / 2 - f.cy) * roll)]), colour, 2);
      }
      for (const p of s.parts) {
        const rise = this.part(p), nod = p.dofs.includes("pitch") ? this.of(p.name + " pitch") : pitch, half = p.size / 2;
        line(box.map(([a, b]) => [side(p.x + a * half + b * half * nod), y(p.z + b * half + rise - a * half * nod)]), orange, 1.4);
      }
    },
  },
};
