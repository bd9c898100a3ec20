// The scale that a response is modelled on, and its limits there.

function interpolate(x, xs, ys) {
  const n = xs.length;
  if (x <= xs[0]) return ys[0];
  if (x >= xs[n - 1]) return ys[n - 1];
  let i = 1;
  while (x > xs[i]) i++;
  return ys[i - 1] + ((x - xs[i - 1]) / (xs[i] - xs[i - 1])) * (ys[i] - ys[i - 1]);
}

function makeScale(kept) {
  const { name, whole, cuts, marks } = kept;
  if (name === "log") {
    return {
      name,
      forward: (v) => (v > 0 ? Math.log(v) : -Infinity),
      back: (v) => Math.exp(Math.min(v, 700)),
      slope: (v) => 1 / v,
    };
  }
  if (name === "logit") {
    return {
      name,
      forward: (v) => (v <= 0 ? -Infinity : v >= whole ? Infinity : Math.log(v) - Math.log(whole - v)),
      back: (v) => whole * 0.5 * (1 + Math.tanh(v / 2)),
      slope: (v) => whole / (v * (whole - v)),
    };
  }
  if (name === "grades") {
    // The outer grades lie as far out as the thresholds are apart, at least one.
    const apart = Math.max(1, (cuts[cuts.length - 1] - cuts[0]) / Math.max(cuts.length - 1, 1));
    const knots = [cuts[0] - apart / 2, ...cuts, cuts[cuts.length - 1] + apart / 2];
    return { name, forward: (v) => interpolate(v, marks, knots), back: (v) => interpolate(v, knots, marks) };
  }
  return { name, forward: (v) => v, back: (v) => v, slope: () => 1 };
}

// Grades that were seen: each middle between two is half way.
function gradesSeen(marks) {
  const seen = [marks[0]];
  for (const middle of marks.slice(1, -1)) seen.push(2 * middle - seen[seen.length - 1]);
  return seen;
}

// Limits in the response's own unit (null: open) as ends on the model's scale.
function windowOn(scale, kept, low, high) {
  if (scale.name === "grades") {
    const seen = gradesSeen(kept.marks);
    const below = low === null ? 0 : seen.filter((v) => v < low).length;
    const above = high === null ? seen.length : seen.filter((v) => v <= high).length;
    const bottom = below === 0 ? -Infinity : [...kept.cuts, Infinity][below - 1];
    const top = above === seen.length ? Infinity : [-Infinity, ...kept.cuts][above];
    return [bottom, top];
  }
  const bottom = low === null ? -Infinity : scale.forward(low);
  const top = high === null ? Infinity : scale.forward(high);
  return [bottom, top];
}
