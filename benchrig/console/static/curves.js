// The curves of a run, drawn as they come.

const NS = "http://www.w3.org/2000/svg";
const LEFT = 40, BELOW = 24, ABOVE = 8, RIGHT = 8;

/** Values at which an axis from 0 to `most` has its lines. */
function ticks(most) {
  const raw = most / 4;
  const size = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 2.5, 5, 10].map((n) => n * size).find((n) => n >= raw);
  return Array.from({ length: Math.floor(most / step + 1e-9) + 1 }, (_, n) => n * step);
}

export class Curve {
  constructor(svg, { xMost, yMost, separate }) {
    this.svg = svg;
    this.start = { xMost, yMost };
    this.separate = separate; // each set is a curve of its own that begins at 0, in ms
    new ResizeObserver(() => this.ask()).observe(svg);
    this.clear();
  }

  clear() {
    this.sets = new Map();
    this.xMost = this.start.xMost;
    this.yMost = this.start.yMost;
    this.frame = null;
    this.dirty = true;
    this.draw();
  }

  add({ set, from_s, after_s, values }) {
    const key = this.separate ? set : 0;
    if (!this.sets.has(key)) this.sets.set(key, []);
    const points = this.sets.get(key);
    after_s.forEach((after, n) => {
      const x = this.separate ? after * 1000 : from_s + after;
      if (this.separate && x > this.xMost) return; // the inrush is what is looked at
      points.push([x, values[n]]);
      if (x > this.xMost) this.xMost = x * 1.25;
      if (values[n] > this.yMost) this.yMost = values[n] * 1.2;
    });
    if (!this.separate) points.sort((a, b) => a[0] - b[0]);
    this.ask();
  }

  ask() {
    this.dirty = true;
    this.frame ??= requestAnimationFrame(() => {
      this.frame = null;
      this.draw();
    });
  }

  draw() {
    if (!this.dirty) return;
    const WIDE = this.svg.clientWidth, HIGH = this.svg.clientHeight;
    if (!WIDE) return; // not on the screen; it is drawn when it comes there
    this.dirty = false;
    const x = (value) => LEFT + (value / this.xMost) * (WIDE - LEFT - RIGHT);
    const y = (value) => HIGH - BELOW - (Math.max(value, 0) / this.yMost) * (HIGH - BELOW - ABOVE);
    const parts = [];
    for (const value of ticks(this.xMost)) parts.push(...grid(x(value), ABOVE, x(value), HIGH - BELOW, value, x(value), HIGH - 8, "middle"));
    for (const value of ticks(this.yMost)) parts.push(...grid(LEFT, y(value), WIDE - RIGHT, y(value), value, LEFT - 6, y(value) + 5, "end"));
    const keys = [...this.sets.keys()];
    keys.forEach((key, n) => {
      const line = document.createElementNS(NS, "polyline");
      line.setAttribute("class", this.separate && n < keys.length - 1 ? "drawn older" : "drawn");
      line.setAttribute("points", this.sets.get(key).map(([a, b]) => `${x(a).toFixed(1)},${y(b).toFixed(1)}`).join(" "));
      parts.push(line);
    });
    this.svg.replaceChildren(...parts);
    this.svg.dataset.points = [...this.sets.values()].reduce((sum, points) => sum + points.length, 0);
  }
}

function grid(x1, y1, x2, y2, value, textX, textY, anchor) {
  const line = document.createElementNS(NS, "line");
  for (const [name, at] of Object.entries({ x1, y1, x2, y2 })) line.setAttribute(name, at);
  line.setAttribute("class", "grid");
  const text = document.createElementNS(NS, "text");
  text.setAttribute("x", textX);
  text.setAttribute("y", textY);
  text.setAttribute("text-anchor", anchor);
  text.textContent = String(Number(value.toPrecision(4)));
  return [line, text];
}
