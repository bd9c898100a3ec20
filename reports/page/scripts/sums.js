// Exact sums of the levels, ratios of them, and what is made of a ratio.

function sumAt(sum, x) {
  const top = dot(sum.weights, x) + sum.constant;
  return bent(sum.bend, sum.under ? top / (dot(sum.under.weights, x) + sum.under.constant) : top);
}

// The distance between particles, a difference or its size; else the ratio itself.
function bent(bend, ratio) {
  if (!bend) return ratio;
  if (bend.kind === "spacing") return bend.scale * Math.cbrt(((Math.PI / 6) * 100) / ratio);
  const apart = bend.scale * (bend.at - ratio);
  return bend.kind === "gap" ? Math.abs(apart) : apart;
}
