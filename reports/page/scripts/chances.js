// The chance that one new batch meets every must, and how that chance might move: the numbers of `optimise.models.chance`.

const EDGE = 1e-15;

function bytes(text) {
  const raw = atob(text);
  const out = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i++) out[i] = raw.charCodeAt(i);
  return out.buffer;
}

function choleskyOf(R, n) {
  const L = R.map((row) => row.map(() => 0));
  for (let i = 0; i < n; i++) {
    for (let j = 0; j <= i; j++) {
      let sum = R[i][j];
      for (let k = 0; k < j; k++) sum -= L[i][k] * L[j][k];
      L[i][j] = i === j ? Math.sqrt(sum) : sum / L[j][j];
    }
  }
  return L;
}

function clip(p) {
  return Math.min(Math.max(p, EDGE), 1 - EDGE);
}

function makeChances(kept, correlation) {
  const musts = kept.musts;
  const r = musts.length;
  const R = musts.map((a) => musts.map((b) => correlation[a][b]));
  const independent = R.every((row, i) => row.every((v, j) => Math.abs(v - (i === j ? 1 : 0)) <= 1e-12));
  const L = r ? choleskyOf(R, r) : [];
  const nodes = new Uint32Array(bytes(kept.nodes));
  const across = Math.max(r - 1, 1);
  const draws = musts.map((name) => {
    const one = kept.draws[name];
    return one && {
      component: new Uint16Array(bytes(one.component)),
      spread: new Float32Array(bytes(one.spread)),
      normal: new Float32Array(bytes(one.normal)),
    };
  });

  // Genz (1992), J. Comput. Graph. Stat. 1, 141-149: one box after the other, each given those before it.
  function box(lower, upper, shift) {
    const point = new Float64Array(r);
    let sum = 0;
    const count = nodes.length / across;
    for (let q = 0; q < count; q++) {
      let chance = 1;
      for (let i = 0; i < r; i++) {
        let off = 0;
        for (let j = 0; j < i; j++) off += point[j] * L[i][j];
        const a = ndtr((lower[i] - off) / L[i][i]);
        const b = ndtr((upper[i] - off) / L[i][i]);
        const width = Math.max(b - a, 0);
        chance *= width;
        if (chance === 0) break;
        if (i < r - 1) {
          const node = (nodes[q * across + i] / 1073741824 + shift[i]) % 1;
          point[i] = ndtri(clip(a + node * width));
        }
      }
      sum += chance;
    }
    return sum / count;
  }

  // Joint chance and its error bar; `ends` are the windows on the models' scales.
  function joint(laws, ends) {
    const each = laws.map((law, i) => law.between(ends[i][0], ends[i][1]));
    const product = each.reduce((a, b) => a * b, 1);
    if (r < 2 || independent) return { chance: product, error: 0 };
    const lower = laws.map((law, i) => (ends[i][0] === -Infinity ? -Infinity : ndtri(clip(law.cdf(ends[i][0])))));
    const upper = laws.map((law, i) => (ends[i][1] === Infinity ? Infinity : ndtri(clip(law.cdf(ends[i][1])))));
    const found = kept.shifts.map((shift) => box(lower, upper, shift));
    const chance = found.reduce((a, b) => a + b, 0) / found.length;
    const square = found.reduce((sum, v) => sum + (v - chance) ** 2, 0) / (found.length - 1);
    return { chance, error: Math.sqrt(square / found.length) };
  }

  // Its 90 % interval, the chance at each draw of the parameters, made wide enough to hold the chance `said`: the mean of
  // a law that is next to 0 but for a few draws lies beyond its quantiles.
  function interval(laws, ends, said) {
    const count = draws[0].spread.length;
    const chances = new Float64Array(count).fill(1);
    laws.forEach((law, i) => {
      const { component, spread, normal } = draws[i];
      const [low, high] = ends[i];
      for (let s = 0; s < count; s++) {
        const c = component[s];
        const centre = law.location[c] + law.meanScale[c] * spread[s] * normal[s];
        const sigma = Math.max(law.residual[c] * spread[s], EDGE * EDGE);
        chances[s] *= Math.max(ndtr((high - centre) / sigma) - ndtr((low - centre) / sigma), 0);
      }
    });
    chances.sort();
    const [low, high] = [0.05, 0.95].map((share) => {
      const at = share * (count - 1);
      const i = Math.floor(at);
      return chances[i] + (at - i) * (chances[Math.min(i + 1, count - 1)] - chances[i]);
    });
    return [Math.min(low, said), Math.max(high, said)];
  }

  return { musts, joint, interval };
}
