"""A region that is another polytope at another combination of categories, against corners and averages by hand.

Gum is Xanthan A (0.2 to 0.6) or Xanthan B (0.5 to 1.0), Oil 2 to 6, water the rest of 100; with Xanthan B the oil is
at least 5. With A there is a rectangle of 0.4 x 4, with B one of 0.5 x 1.
"""

import numpy as np
import pandas as pd
import pytest

from doe import Study, StudyError
from doe.region.pieces import Pieces
from doe.region.redundant import redundant_limits
from doe.search.spaces import layout

SOURCE = {
    "study": {"name": "Invented lotion"},
    "ingredient": [
        {"name": "Water", "qs": True},
        {
            "name": "Gum",
            "choice": [
                {"name": "Xanthan A", "low": 0.2, "high": 0.6},
                {"name": "Xanthan B", "low": 0.5, "high": 1.0},
            ],
        },
        {"name": "Oil", "low": 2, "high": 6},
    ],
    "limit": [{"rule": "Oil >= 5", "when": "Gum is Xanthan B"}],
    "response": [{"name": "Viscosity", "method": "rotational"}],
}


def study(**changes):
    return Study.from_dict({**SOURCE, **changes})


def either(gum):
    """The study with other keys of its gum."""
    water, _, oil = SOURCE["ingredient"]
    return [water, {"name": "Gum", **gum}, oil]


def test_two_materials_have_their_own_corners_and_one_reach():
    region = study().region
    assert isinstance(region, Pieces)
    assert region.reach == {"Water": (93.0, 97.8), "Gum": (0.2, 1.0), "Oil": (2.0, 6.0)}
    corners = region.vertices()
    a = corners[corners["material: Gum"] == "Xanthan A"][["Gum", "Oil"]].to_numpy()
    b = corners[corners["material: Gum"] == "Xanthan B"][["Gum", "Oil"]].to_numpy()
    assert sorted(map(tuple, a)) == [(0.2, 2), (0.2, 6), (0.6, 2), (0.6, 6)]
    assert sorted(map(tuple, b)) == [(0.5, 5), (0.5, 6), (1.0, 5), (1.0, 6)]
    assert np.allclose(corners[["Water", "Gum", "Oil"]].sum(axis=1), 100, atol=1e-12)
    assert region.vertex_count == len(region.vertex_array) == 8
    # Four edges each, and none between the two.
    assert len(region.edges()) == 8
    assert all((i < 4) == (j < 4) for i, j in region.edges())
    # The mean of the two centroids (0.4, 4) and (0.75, 5.5).
    assert region.centroid["Gum"] == pytest.approx(0.575)
    assert region.centroid["Oil"] == pytest.approx(4.75)


def test_a_point_is_inside_with_its_own_material_only():
    region = study().region
    X = np.array([[96.7, 0.3, 3.0], [94.0, 0.8, 5.2], [93.95, 0.55, 5.5], [95.45, 0.55, 4.0]])
    with_a = {"material: Gum": np.array(["Xanthan A"] * 4, dtype=object)}
    with_b = {"material: Gum": np.array(["Xanthan B"] * 4, dtype=object)}
    assert region.contains(X, chosen=with_a).tolist() == [True, False, True, True]
    assert region.contains(X, chosen=with_b).tolist() == [False, True, True, False]
    assert region.contains(X).all()
    assert region.at({"material: Gum": "Xanthan B"}).reach["Oil"] == (5.0, 6.0)


def test_points_are_drawn_from_each_piece_in_turn():
    region = study().region
    X = region.sample(400, seed=4)
    names = [one["material: Gum"] for one in region.combinations]
    chosen = {"material: Gum": np.array([names[i % 2] for i in range(400)], dtype=object)}
    assert region.contains(X, chosen=chosen).all()
    assert (region.sample(400, seed=4) == X).all()
    # Uniform over each rectangle: mean of Gum 0.4 and 0.75, of Oil 4 and 5.5 (four standard errors).
    assert np.allclose(X[0::2, 1:].mean(axis=0), [0.4, 4.0], atol=[0.033, 0.33])
    assert np.allclose(X[1::2, 1:].mean(axis=0), [0.75, 5.5], atol=[0.041, 0.082])


def test_one_polytope_stays_one_where_nothing_depends_on_the_material():
    same = either({"low": 0.2, "high": 0.6, "choice": [{"name": "Xanthan A"}, {"name": "Xanthan B"}]})
    region = study(ingredient=same, limit=[]).region
    assert not isinstance(region, Pieces)
    assert region.at({"material: Gum": "Xanthan B"}) is region
    assert region.categories == {"material: Gum": ("Xanthan A", "Xanthan B")}


def test_moments_are_the_mean_of_those_of_both_pieces():
    plain = study()
    terms = plain.terms("linear")
    assert terms.labels == ("1", "Gum", "Oil", "[Gum: Xanthan A]")
    moment, exact = terms.moment(plain.region, terms.coding(plain.region, "units"))
    assert exact
    # Uniform on [a, b]: mean (a + b) / 2, mean square (a² + ab + b²) / 3.
    gum, oil = np.array([0.4, 0.75]), np.array([4.0, 5.5])
    gum2, oil2 = np.array([0.52 / 3, 1.75 / 3]), np.array([52 / 3, 91 / 3])
    side = np.array([1.0, -1.0])
    by_hand = [
        [1, gum.mean(), oil.mean(), 0],
        [gum.mean(), gum2.mean(), (gum * oil).mean(), (gum * side).mean()],
        [oil.mean(), (gum * oil).mean(), oil2.mean(), (oil * side).mean()],
        [0, (gum * side).mean(), (oil * side).mean(), 1],
    ]
    assert np.allclose(moment, by_hand, rtol=1e-12, atol=1e-12)
    # The planner's own average, in its working basis, is that of the same four functions: the identity.
    assert np.allclose(layout(plain.region, terms).moment, np.eye(4), atol=1e-9)


def test_none_is_a_piece_without_extent_in_its_own_ingredient():
    maybe = [*either({"low": 0.2, "high": 0.6, "or_none": True})]
    region = study(ingredient=maybe, limit=[]).region
    assert region.categories == {"material: Gum": ("present", "none")}
    assert region.reach["Gum"] == (0.0, 0.6)
    none = region.at({"material: Gum": "none"})
    assert none.dimension == 1
    assert region.contains([[97, 0, 3], [96.9, 0.1, 3], [96.8, 0.2, 3]]).tolist() == [True, False, True]
    table = pd.DataFrame({"Gum": [0.0, 0.3]})
    assert region.chosen(table)["material: Gum"].tolist() == ["none", "present"]


def test_an_empty_combination_is_a_finding_and_all_empty_an_error():
    limits = [{"rule": "Oil >= 5", "when": "Gum is Xanthan B"}, {"rule": "Gum + Oil <= 5.2"}]
    one = study(limit=limits)
    found = [p for p in one.problems if p.code == "empty-combination"]
    assert len(found) == 1
    assert "Gum is Xanthan B" in found[0].where
    assert "Oil >= 5" in found[0].got
    assert "Gum + Oil <= 5.2" in found[0].got
    assert [dict(c) for c in one.region.combinations] == [{"material: Gum": "Xanthan A"}]
    with pytest.raises(StudyError) as caught:
        study(limit=[{"rule": "Gum + Oil <= 2.1"}, *limits[:1]])
    assert [p.code for p in caught.value.problems] == ["empty-region", "empty-region"]
    assert all(p.level == "stop" for p in caught.value.problems)


def test_a_limit_that_decides_nothing_anywhere_is_told():
    limits = [*SOURCE["limit"], {"rule": "Gum + Oil <= 6.8"}, {"rule": "Oil <= 6.5", "when": "Gum is Xanthan B"}]
    redundant = study(limit=limits).region.redundant
    assert "Oil <= 6.5" in redundant
    assert "Gum + Oil <= 6.8" not in redundant
    assert "Oil >= 5" not in redundant


def test_active_parts_count_by_the_assay_of_each_material():
    choice = [{"name": "Powder", "assay": 1.0}, {"name": "Solution", "assay": "50 %"}]
    gum = either({"low": 0.2, "high": 1.0, "choice": choice})
    region = study(ingredient=gum, limit=[{"rule": "Gum <= 0.4", "on": "active"}]).region
    assert region.at({"material: Gum": "Powder"}).reach["Gum"] == (0.2, 0.4)
    assert region.at({"material: Gum": "Solution"}).reach["Gum"] == (0.2, 0.8)


CHOICES = {
    **SOURCE,
    "factor": [{"name": "Wetting", "levels": ["dry", "in oil"]}],
    "limit": [{"rule": "Gum is not Xanthan B", "when": "Wetting is dry", "why": "it lumps"}],
}


def test_a_limit_on_a_choice_takes_its_combinations_out_and_says_nothing():
    found = Study.from_dict(CHOICES)
    pairs = {(c["material: Gum"], c["Wetting"]) for c in found.region.combinations}
    assert pairs == {("Xanthan A", "dry"), ("Xanthan A", "in oil"), ("Xanthan B", "in oil")}
    assert not found.problems
    assert not [one for one in redundant_limits(found.region) if not one.is_bound]
    inside = found.region.contains([[95.7, 0.5, 3.8]] * 2, chosen={
        "material: Gum": np.array(["Xanthan B", "Xanthan B"]), "Wetting": np.array(["dry", "in oil"])
    })  # fmt: skip
    assert inside.tolist() == [False, True]
    whole = study(limit=[{"rule": "Gum is not Xanthan B"}])
    assert [c["material: Gum"] for c in whole.region.combinations] == ["Xanthan A"]


def test_a_limit_on_a_choice_may_be_met_as_well_by_what_may_be_left_out():
    found = study(ingredient=either({"low": 0.2, "high": 0.6, "or_none": True}), limit=[{"rule": "Gum is not present"}])
    assert [c["material: Gum"] for c in found.region.combinations] == ["none"]


@pytest.mark.parametrize(
    "limits, code",
    [
        ([{"rule": "Gum is not Xanthan Z"}], "unknown-level"),
        ([{"rule": "Glue is not Xanthan A"}], "unknown-category"),
        ([{"rule": "Gum is not Xanthan A"}, {"rule": "Gum is not Xanthan B"}], "empty-region"),
    ],
)
def test_limits_on_choices_that_mean_nothing_or_leave_nothing(limits, code):
    with pytest.raises(StudyError) as caught:
        study(limit=limits)
    assert [p.code for p in caught.value.problems] == [code]


def test_what_leaves_a_combination_empty_decides_that_and_is_told_how_to_be_meant():
    found = Study.from_dict({**CHOICES, "limit": [{"rule": "Gum <= 0.4", "when": "Gum is Xanthan B"}]})
    assert not [one for one in redundant_limits(found.region) if not one.is_bound]
    apart = Study.from_dict({**CHOICES, "limit": [{"rule": "Gum <= 0.4", "when": "Wetting is dry"}]})
    (told,) = [p for p in apart.problems if p.code == "empty-combination"]
    assert 'rule = "Gum is not Xanthan B", when = "Wetting is dry"' in told.do
    assert not [one for one in redundant_limits(apart.region) if one.label == "Gum <= 0.4"]
