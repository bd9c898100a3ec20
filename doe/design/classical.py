"""Textbook plans in coded form: blends as shares that add up to 1, factors at -1..+1."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import combinations, product

import numpy as np
import numpy.typing as npt
from pyDOE3 import bbdesign, ccdesign, fracfact, pbdesign

Array = npt.NDArray[np.float64]

# Blocks of three factors varied together (Box & Behnken 1960, Technometrics 2, 455-475;
# from memory): six and seven factors.
_TRIPLES = {
    6: ((0, 1, 3), (1, 2, 4), (2, 3, 5), (0, 3, 4), (1, 4, 5), (0, 2, 5)),
    7: ((3, 4, 5), (0, 5, 6), (1, 4, 6), (0, 1, 3), (2, 3, 6), (0, 2, 4), (1, 2, 5)),
}
# Generators of least confounding for two-level fractions: (factors, runs) -> generators of the added factors
# (Box, Hunter & Hunter 2005, Statistics for Experimenters, table 6.22; NIST/SEMATECH e-Handbook 5.3.3.4.7; memory).
_GENERATORS = {
    (3, 4): "C = AB",
    (4, 8): "D = ABC",
    (5, 8): "D = AB, E = AC",
    (5, 16): "E = ABCD",
    (6, 8): "D = AB, E = AC, F = BC",
    (6, 16): "E = ABC, F = BCD",
    (6, 32): "F = ABCDE",
    (7, 8): "D = AB, E = AC, F = BC, G = ABC",
    (7, 16): "E = ABC, F = BCD, G = ACD",
    (7, 32): "F = ABCD, G = ABDE",
    (7, 64): "G = ABCDEF",
    (8, 16): "E = BCD, F = ACD, G = ABC, H = ABD",
    (8, 32): "F = ABC, G = ABD, H = BCDE",
    (8, 64): "G = ABCD, H = ABEF",
    (9, 16): "E = ABC, F = BCD, G = ACD, H = ABD, J = ABCD",
    (9, 32): "F = BCDE, G = ACDE, H = ABDE, J = ABCE",
    (9, 64): "G = ABCD, H = ACEF, J = CDEF",
    (9, 128): "H = ACDFG, J = BCEFG",
    (10, 16): "E = ABC, F = BCD, G = ACD, H = ABD, J = ABCD, K = AB",
    (10, 32): "F = ABCD, G = ABCE, H = ABDE, J = ACDE, K = BCDE",
    (10, 64): "G = BCDF, H = ACDF, J = ABDE, K = ABCE",
    (10, 128): "H = ABCG, J = BCDE, K = ACDF",
    (11, 16): "E = ABC, F = BCD, G = ACD, H = ABD, J = ABCD, K = AB, L = AC",
    (11, 32): "F = ABC, G = BCD, H = CDE, J = ACD, K = ADE, L = BDE",
    (11, 64): "G = CDE, H = ABCD, J = ABF, K = BDEF, L = ADEF",
    (11, 128): "H = ABCG, J = BCDE, K = ACDF, L = ABCDEFG",
}
LETTERS = "ABCDEFGHJKLMNOP"
# Run counts of the screening plans made here: orders of Hadamard matrices.
SCREENING = (4, 8, 12, 16, 20, 24, 28, 32, 36, 40, 44, 48, 60, 64)
# Centre points of uniform precision (Box & Hunter 1957, Ann. Math. Stat. 28; from memory).
CENTRES = {2: 5, 3: 6, 4: 7, 5: 10, 6: 15}
# The same with half of the factorial points (the same table; from memory).
CENTRES_OF_HALF = {5: 6, 6: 9, 7: 14}


def simplex_lattice(q: int, degree: int) -> Array:
    """The {q, m} simplex lattice (Scheffé 1958): all shares that are multiples of 1/m, (C(q+m-1, m), q)."""
    rows = [row for row in product(range(degree, -1, -1), repeat=q) if sum(row) == degree]
    return np.array(rows, dtype=float) / degree


def simplex_centroid(q: int) -> Array:
    """The simplex centroid (Scheffé 1963): equal shares of every subset of the ingredients, (2^q - 1, q)."""
    rows = []
    for size in range(1, q + 1):
        for chosen in combinations(range(q), size):
            row = np.zeros(q)
            row[list(chosen)] = 1 / size
            rows.append(row)
    return np.array(rows)


def axial_blends(q: int) -> Array:
    """Points half way from the centroid to each corner (Cornell 2002), (q, q): (q + 1) / 2q of one, 1 / 2q of rest."""
    return np.full((q, q), 1 / (2 * q)) + np.eye(q) / 2


def two_level(k: int) -> Array:
    """The full two-level factorial in standard order, the first factor changing fastest, (2^k, k)."""
    rows = np.array(list(product((-1.0, 1.0), repeat=k)))
    return rows[:, ::-1].copy()


def generators(k: int, runs: int) -> str | None:
    """The tabled generators of a fraction of 2^k in `runs` runs, or None."""
    return _GENERATORS.get((k, runs))


def fraction_sizes(k: int) -> list[int]:
    """Run counts of the tabled fractions of 2^k."""
    return sorted(runs for factors, runs in _GENERATORS if factors == k)


def fractional(k: int, text: str, names: Sequence[str] = ()) -> Array:
    """A two-level fraction of k factors A, B, C ... from generators such as "D = AB, E = -AC", (2^(k-g), k).

    `names` are what the letters stand for. Raises ValueError in words when the generators do not make k factors.
    """
    given = generated(k, text, names)
    words = " ".join(given.get(letter, letter).lower() for letter in LETTERS[:k])
    found: Array = np.asarray(fracfact(words), dtype=float)
    return found


def generated(k: int, text: str, names: Sequence[str] = ()) -> dict[str, str]:
    """The product that sets each generated factor, letters by letter: {"D": "AB", "E": "-AC"}.

    Raises ValueError in words where they are no generators of k factors A, B, C ... called `names`.
    """
    letters = LETTERS[:k]
    called = {letter: f"{letter} ({name})" for letter, name in zip(letters, names, strict=False) if letter != name}
    factors = ", ".join(called.get(letter, letter) for letter in letters)
    given: dict[str, str] = {}
    for piece in re.split(r"[,;]", text):
        match = re.fullmatch(r"\s*([A-Z])\s*=\s*([+-]?)\s*([A-Z]+)\s*", piece.replace("*", "").replace("×", ""))
        if match is None or match[1] not in letters or set(match[3]) - set(letters):
            raise ValueError(f"{piece.strip() or 'nothing'} is not a generator of the factors {factors}")
        target, word = match[1], "".join(sorted(match[3]))
        own = called.get(target, target)
        if target in given:
            raise ValueError(f"{own} has two generators: give it one")
        if len(word) < 2 or len(set(word)) < len(word):
            raise ValueError(f"{piece.strip()}: a generator is a product of two or more of the factors {factors}")
        if word in (other.lstrip("-") for other in given.values()):
            twin = next(other for other, made in given.items() if made.lstrip("-") == word)
            raise ValueError(
                f"{called.get(twin, twin)} and {own} are set by the same generator {word}, so their effects could not "
                "be told apart: give each a product of its own"
            )
        given[target] = ("-" if match[2] == "-" else "") + word
    for target, word in given.items():
        for letter in (c for c in word if c in given):
            raise ValueError(
                f"{target} = {word}: {called.get(letter, letter)} has a generator itself; each generator is a product "
                "of factors that have none"
            )
    return given


def plackett_burman(k: int, runs: int | None = None) -> Array:
    """A Plackett-Burman plan (Plackett & Burman 1946, Biometrika 33) for k factors, a multiple of four runs, (n, k).

    The smallest for k factors, or the largest in no more than `runs`. Orders 28, 36, 44 and 60, which pyDOE3 does not
    have, are made by Paley (1933): that of 28 is another than the one printed in 1946, and as orthogonal. Raises
    ValueError where none fits.
    """
    fits = [n for n in SCREENING if n > k]
    if not fits:
        raise ValueError(f"Plackett-Burman plans are made here for up to {SCREENING[-1] - 1} factors")
    n = fits[0] if runs is None else max([size for size in fits if size <= runs], default=fits[0])
    found = paley(n) if n in (28, 36, 44, 60) else np.asarray(pbdesign(n - 1), dtype=float)
    columns: Array = found[:, :k]
    return columns


def paley(order: int) -> Array:
    """The columns of a Hadamard matrix of this order beside its constant one, (n, n - 1) of -1 and +1.

    With Q the quadratic character of i - j modulo a prime q: for q = n - 1 = 3 (mod 4) the matrix is I + S, S being Q
    bordered by 1 and -1; for q = n / 2 - 1 = 1 (mod 4) each entry c of the symmetric conference matrix C becomes c
    times [[1, 1], [1, -1]], and each 0 becomes [[1, -1], [-1, -1]] (Paley 1933, J. Math. Phys. 12; from memory).
    """
    q = order - 1
    if q % 4 == 3 and all(q % d for d in range(2, int(q**0.5) + 1)):
        H = conference(order) + np.eye(order)
    else:
        C = conference(order // 2)
        H = np.kron(C, [[1.0, 1.0], [1.0, -1.0]]) + np.kron(np.eye(order // 2), [[1.0, -1.0], [-1.0, -1.0]])
    H = H * H[:, :1]
    columns: Array = H[:, 1:]
    return columns


def central_composite(k: int, *, face: bool = False, cube: Array | None = None) -> Array:
    """Factorial and axial points of a central composite plan, without centre points, (F + 2k, k).

    The F factorial points are all combinations, or a fraction of them given as `cube`. Axial points at F^(1/4)
    (rotatable: Box & Hunter 1957) or on the faces.
    """
    if cube is not None:
        reach = 1.0 if face else len(cube) ** 0.25
        return np.concatenate([cube, reach * np.eye(k), -reach * np.eye(k)])
    kind = "ccf" if face else "ccc"
    rows = np.asarray(ccdesign(k, center=(0, 0), alpha="rotatable", face=kind), dtype=float)
    kept: Array = rows[(np.abs(rows) > 0).any(axis=1)]
    return kept


def box_behnken(k: int) -> Array:
    """A Box-Behnken plan for 3 to 7 factors, without centre points, (n, k). Raises ValueError for other counts."""
    if k not in (3, 4, 5, 6, 7):
        raise ValueError("Box-Behnken plans are made here for 3 to 7 numeric factors")
    if k not in _TRIPLES:
        rows = np.asarray(bbdesign(k, center=0), dtype=float)
        kept: Array = rows[(np.abs(rows) > 0).any(axis=1)]
        return kept
    out = []
    for chosen in _TRIPLES[k]:
        for signs in product((-1.0, 1.0), repeat=3):
            row = np.zeros(k)
            row[list(chosen)] = signs
            out.append(row)
    return np.array(out)


def definitive_screening(k: int) -> Array:
    """A definitive screening plan (Jones & Nachtsheim 2011, J. Qual. Technol. 43): C, -C and the centre, (2m + 1, k).

    C is a conference matrix of the least order m >= k built here; unused columns are left out. Raises ValueError for
    fewer than 3 and more than 32 factors.
    """
    order = next((m for m in (4, 6, 8, 10, 12, 14, 18, 20, 24, 30, 32) if m >= k), None)
    if order is None or k < 3:
        raise ValueError("definitive screening plans are made here for 3 to 32 numeric factors")
    C = conference(order)[:, :k]
    return np.concatenate([np.column_stack([C, -C]).reshape(-1, k), np.zeros((1, k))])


def conference(order: int) -> Array:
    """A conference matrix C of even order m, (m, m): zero diagonal, +-1 elsewhere, C'C = (m - 1) I (Paley 1933)."""
    q = order - 1
    chi = _character_nine() if q == 9 else _character(q)
    C = np.ones((order, order))
    C[1:, 1:] = chi
    if q % 4 == 3:
        C[1:, 0] = -1
    np.fill_diagonal(C, 0)
    return C


def _character(q: int) -> Array:
    """The quadratic character of i - j modulo the prime q, (q, q)."""
    squares = {(i * i) % q for i in range(1, q)}
    value = np.array([0.0] + [1.0 if i in squares else -1.0 for i in range(1, q)])
    index = np.arange(q)
    table: Array = value[(index[:, None] - index[None, :]) % q]
    return table


def _character_nine() -> Array:
    """The quadratic character of i - j in the field of nine elements a + b i, i^2 = -1, over the integers modulo 3."""
    field = [(a, b) for a in range(3) for b in range(3)]
    squares = {((a * a - b * b) % 3, (2 * a * b) % 3) for a, b in field if (a, b) != (0, 0)}
    out = np.zeros((9, 9))
    for i, (a, b) in enumerate(field):
        for j, (c, d) in enumerate(field):
            if i != j:
                out[i, j] = 1.0 if ((a - c) % 3, (b - d) % 3) in squares else -1.0
    return out
