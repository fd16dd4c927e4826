// The vehicle on its posts from the side and from behind, moving: a mode, or the posts as a drive commands them.
export default {
  template: `
    <div class="wb-moving" role="group" :aria-label="label">
      <canvas ref="canvas" role="img" :aria-label="label"></canvas>
      <div class="bar">
        <button type="button" @click="toggle">{{ running ? 'Pause' : 'Play' }}</button>
        <span v-if="!drive">{{ said }}</span>
        <template v-else><input type="range" min="0" :max="duration" step="0.01" v-model.number="at" @input="draw" aria-label="Time in the drive"><span>{{ at.toFixed(2) }} s</span></template>
        <span>{{ drive ? 'posts at true height, drawn ' + gain + ' times' : 'slowed down, motion enlarged' }}</span>
      </div>
    </div>`,
  props: { shape: Object, mode: Object, drive: Object, label: String },
  data: () => ({ running: false, at: 0, duration: 1, said: "", gain: 4 }),
  mounted() {
    this.t = 0; this.rows = [];
    this.sizes = new ResizeObserver(() => this.draw()); this.sizes.observe(this.$refs.canvas.parentElement);
    this.theme = new MutationObserver(() => this.draw()); this.theme.observe(document.body, { attributes: true, attributeFilter: ["class"] });
    this.take();
    if (!this.drive && !matchMedia("(prefers-reduced-motion: reduce)").matches) this.toggle();
  },
  unmounted() { this.running = false; this.sizes.disconnect(); this.theme.disconnect(); },
  watch: { mode() { this.take(); }, drive() { this.take(); } },
  methods: {
    async take() {
      if (this.mode) this.said = this.mode.words;
      if (this.drive) {
        this.duration = this.drive.duration;
        const q = { files: [this.drive.file], offsets: [0], channels: this.drive.names.map((name, n) => [n, name, this.drive.unit]), from: 0, to: this.duration, bins: 8000 };
        const answer = await fetch("/series?q=" + encodeURIComponent(JSON.stringify(q)));
        if (!answer.ok) { this.said = await answer.text(); return; }
        const buffer = await answer.arrayBuffer(), view = new DataView(buffer), n = view.getUint32(0, true);
        let at = 4 + 32 * n; this.rows = [];
        for (let k = 0; k < n; k++) {
          const head = 4 + 32 * k, channel = view.getUint32(head + 4, true), count = view.getUint32(head + 8, true), whole = view.getUint32(head + 12, true);
          const low = new Float32Array(buffer, at, count); at += 4 * count;
          const high = whole ? low : new Float32Array(buffer, at, count); if (!whole) at += 4 * count;
          this.rows[channel] = { t0: view.getFloat64(head + 16, true), dt: view.getFloat64(head + 24, true), low, high };
        }
      }
      this.draw();
    },
    toggle() { this.running = !this.running; if (this.running) { this.last = performance.now(); requestAnimationFrame(this.tick); } },
    tick(now) {
      if (!this.running) return;
      const step = Math.min(0.1, (now - this.last) / 1000); this.last = now;
      if (this.drive) { this.at = this.at + step > this.duration ? 0 : this.at + step; } else this.t += step;
      this.draw(); requestAnimationFrame(this.tick);
    },
    command(n) { const row = this.rows[n]; if (!row) return 0; const k = Math.max(0, Math.min(row.low.length - 1, Math.round((this.at - row.t0) / row.dt))); return (row.low[k] + row.high[k]) / 2; },
    of(name) {
      if (!this.mode || !this.mode.values[name]) return 0;
      const [re, im] = this.mode.values[name], phase = 2 * Math.PI * 0.6 * this.t;
      return this.mode.scale * (re * Math.cos(phase) - im * Math.sin(phase));
    },
    draw() {
      const canvas = this.$refs.canvas; if (!canvas) return;
      const width = canvas.parentElement.clientWidth - 2, height = 300, ratio = devicePixelRatio || 1;
      if (width < 100) return;
      canvas.width = width * ratio; canvas.height = height * ratio; canvas.style.height = height + "px";
      const pen = canvas.getContext("2d"), style = getComputedStyle(document.body), get = (n) => style.getPropertyValue(n).trim();
      pen.setTransform(ratio, 0, 0, ratio, 0, 0); pen.clearRect(0, 0, width, height);
      const s = this.shape, f = s.frame, top = f.z + f.h / 2 + 0.8, floor = -1.2;
      const scale = Math.min((height - 30) / (top - floor), (width * 0.62) / (s.reach[1] - s.reach[0]), (width * 0.3) / (f.w + 1.4));
      const y = (z) => height - 12 - (z - floor) * scale;
      const side = (x) => 20 + (s.reach[1] - x) * scale, rear = (v) => width - 20 - (f.w / 2 + 0.7) * scale - v * scale;
      const line = (points, colour, wide = 1.6, dash = []) => { pen.strokeStyle = colour; pen.lineWidth = wide; pen.setLineDash(dash); pen.beginPath(); points.forEach(([a, b], k) => (k ? pen.lineTo(a, b) : pen.moveTo(a, b))); pen.stroke(); pen.setLineDash([]); };
      const ring = (a, b, r, colour) => { pen.strokeStyle = colour; pen.lineWidth = 1.6; pen.beginPath(); pen.arc(a, b, r, 0, 7); pen.stroke(); };
      const ink = get("--ink"), faint = get("--line"), blue = get("--l0"), orange = get("--l1");
      pen.fillStyle = get("--quiet"); pen.font = "12px system-ui, sans-serif";
      pen.fillText("from the left side, front to the left", 20, 16); pen.textAlign = "right"; pen.fillText("from behind", width - 20, 16); pen.textAlign = "left";
      const lift = s.posts.map((p, n) => (this.drive ? this.gain * this.command(n) : 0));
      // posts
      s.posts.forEach((p, n) => {
        const near = p.y > 0, colour = near ? ink : faint;
        line([[side(p.x) - 14, y(lift[n])], [side(p.x) + 14, y(lift[n])]], colour, 3); line([[side(p.x), y(lift[n])], [side(p.x), y(floor)]], colour, near ? 2 : 1.2);
        if (p.last) { line([[rear(p.y) - 12, y(lift[n])], [rear(p.y) + 12, y(lift[n])]], ink, 3); line([[rear(p.y), y(lift[n])], [rear(p.y), y(floor)]], ink, 2); }
      });
      // axles
      for (const a of s.axles) {
        const mine = s.posts.map((p, n) => [p, lift[n]]).filter(([p]) => Math.abs(p.x - a.x) < 0.6);
        const left = mine.find(([p]) => p.y > 0)?.[1] || 0, right = mine.find(([p]) => p.y < 0)?.[1] || 0;
        const heave = this.drive ? (left + right) / 2 : this.of(a.name + " heave"), roll = this.drive ? (left - right) / a.track : this.of(a.name + " roll");
        if (!this.drive) ring(side(a.x), y(a.r), a.r * scale, faint);
        ring(side(a.x), y(a.r + heave + (this.drive ? (roll * a.track) / 2 : 0)), a.r * scale, blue);
        if (a.last) { const h = a.track / 2; line([[rear(h), y(a.r + heave + h * roll)], [rear(-h), y(a.r + heave - h * roll)]], blue, 3); for (const v of [h, -h]) line([[rear(v), y(heave + v * roll)], [rear(v), y(2 * a.r + heave + v * roll)]], blue, 7); }
      }
      if (this.drive) { line([[side(f.x - f.l / 2), y(f.z - f.h / 2)], [side(f.x + f.l / 2), y(f.z - f.h / 2)], [side(f.x + f.l / 2), y(f.z + f.h / 2)], [side(f.x - f.l / 2), y(f.z + f.h / 2)], [side(f.x - f.l / 2), y(f.z - f.h / 2)]], faint, 1.4, [5, 4]); return; }
      // body
      const box = [[-1, -1], [1, -1], [1, 1], [-1, 1], [-1, -1]], heave = this.of("heave"), pitch = this.of("pitch");
      line(box.map(([a, b]) => [side(f.x + (a * f.l) / 2), y(f.z + (b * f.h) / 2)]), faint, 1.2);
      line(box.map(([a, b]) => [side(f.x + (a * f.l) / 2 + ((b * f.h) / 2) * pitch), y(f.z + (b * f.h) / 2 + heave - ((a * f.l) / 2) * pitch)]), blue, 2);
      line(box.map(([a, b]) => [rear((a * f.w) / 2), y(f.z + (b * f.h) / 2)]), faint, 1.2);
      for (const [end, colour] of [["rear", blue], ["front", orange]]) {
        const roll = this.of("roll " + end), sway = this.of("sway");
        line(box.map(([a, b]) => [rear((a * f.w) / 2 + sway - ((b * f.h) / 2) * roll), y(f.z + (b * f.h) / 2 + heave + ((a * f.w) / 2) * roll)]), colour, 2);
      }
      for (const p of s.parts) { const rise = this.of(p.name + " heave"); line([[side(p.x) - 12, y(p.z + rise)], [side(p.x) + 12, y(p.z + rise)]], orange, 4); }
    },
  },
};
