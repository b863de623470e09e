"""What came of a run, in words; and objects of the sky by name."""

from types import SimpleNamespace

import pytest

from starcal.catalogue import embedded
from starcal.catalogue.objects import find_object, object_named, objects_within
from starcal.catalogue.star_names import STAR_NAMES
from starcal.errors import CatalogueError
from starcal.report.outcome import outcome_of


def result_of(verdict="no", route="continuum", stretched=False, coloured=True, used=40):
    return SimpleNamespace(
        verdict=SimpleNamespace(verdict=verdict, reasons=("red shows no star colour.",)),
        route=route,
        route_reason="as said",
        stars=SimpleNamespace(colnames=["colour_source"] * coloured),
        linearity=SimpleNamespace(stretched=stretched),
        fit=SimpleNamespace(n_used=used),
        own_fit=None,
    )


def audit_of(impossible, judged):
    return SimpleNamespace(n_impossible=impossible, n_judged=judged)


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        (
            (98, 100),
            (0, 103),
            "98 of 100 measured stars had impossible colours, none of 103 has now.",
        ),
        ((1, 1), (0, 1), "1 of 1 measured star had an impossible colour, none of 1 has now."),
        (
            (12, 50),
            (3, 51),
            "12 of 50 measured stars had impossible colours, 3 of 51 have now.",
        ),
        (
            (0, 50),
            (0, 52),
            "None of 50 measured stars had an impossible colour, and none of 52 has now.",
        ),
        (
            (0, 0),
            (0, 9),
            "Too few stars can be measured to say how many had impossible colours.",
        ),
    ],
)
def test_the_stars_come_first(before, after, said):
    assert outcome_of(result_of(), audit_of(*before), audit_of(*after)).stars == said


@pytest.mark.parametrize(
    ("result", "said"),
    [
        (
            result_of(),
            "Coloured star by star, because gains cannot serve: red shows no star colour.",
        ),
        (
            result_of("undecided"),
            "Coloured star by star, because nobody knows whether gains can serve: red shows no star colour.",
        ),
        (result_of("rescue"), "Coloured star by star, as asked: gains would serve, too."),
        (
            result_of(stretched=True),
            "Coloured as displayed, because gains cannot serve: red shows no star colour.",
        ),
        (result_of("rescue", "gains"), "Calibrated by gains from 40 catalogue stars."),
        (result_of("rescue", "gains", used=1), "Calibrated by gains from 1 catalogue star."),
        (
            result_of(route="gains"),
            "Calibrated by gains from 40 catalogue stars, as asked, though the verdict is no.",
        ),
        (result_of(route="star frame"), "The stars are those of a separate frame: as said."),
        (result_of(coloured=False), "Left as it was: as said."),
    ],
)
def test_then_how_and_why(result, said):
    assert outcome_of(result, audit_of(9, 9), audit_of(0, 9)).how == said


# --- objects by name --------------------------------------------------------------------

# Right ascension and declination, J2000 degrees, as Sinnott 1988, NGC 2000.0, lists them.
PLACES = {
    "M 31": (10.68, 41.27),
    "messier 42": (83.85, -5.45),
    "ngc7000": (314.7, 44.33),
    "IC 1396": (324.8, 57.5),
    "Sharpless 155": (344.2, 62.6),
    "the Rosette": (97.6, 5.05),
    "Caldwell 20": (314.7, 44.33),
    "veil nebula": (311.4, 30.7),
    "Barnard 33": (85.25, -2.46),
    "pleiades": (56.75, 24.12),
    "M102": (226.6, 55.76),
}


@pytest.mark.parametrize("name", PLACES)
def test_an_object_is_where_it_is_published(name):
    found = find_object(name)
    ra_deg, dec_deg = PLACES[name]
    assert found.ra_deg == pytest.approx(ra_deg, abs=0.35)  # large nebulae have no one middle
    assert found.dec_deg == pytest.approx(dec_deg, abs=0.35)


def test_all_of_messiers_objects_are_known():
    assert all(find_object(f"M{number}") for number in range(1, 111))


def test_a_misspelt_object_is_guessed_and_an_unknown_one_told():
    with pytest.raises(CatalogueError, match="Did you mean NGC 7000"):
        object_named("north amerika")
    with pytest.raises(CatalogueError, match="--ra and --dec"):
        object_named("xyzzy")


def test_objects_of_a_field_come_the_largest_first():
    names = [each.name for each in objects_within(84.0, -5.0, 1.0)]
    assert names[0] in ("NGC 1976", "IC 434")
    assert {"NGC 1976", "NGC 1982", "NGC 1977"} <= set(names)
    assert objects_within(84.0, -5.0, 1e-6) == []


def test_named_stars_are_bright_stars_of_the_catalogue():
    """V below 4.6, as a name of the ancients calls for; places of three by hand (J2000)."""
    for hip, (ra_deg, dec_deg) in {
        102098: (310.358, 45.280),
        91262: (279.235, 38.784),
        17702: (56.871, 24.105),
    }.items():
        around = embedded.cone(ra_deg, dec_deg, 0.05)
        assert hip in around.hip, STAR_NAMES[hip]
    sky = embedded.cone(83.0, 0.0, 14.0)
    known = {
        int(hip): v for hip, v in zip(sky.hip, sky.v_mag, strict=True) if hip in STAR_NAMES
    }
    assert len(known) >= 9
    assert max(known.values()) < 4.6
