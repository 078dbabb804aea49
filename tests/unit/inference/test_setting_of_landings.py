"""Landings of one setting of the ring share its error, which grows with the distance as D²."""

import pytest

from shimwise.inference.model.design import Built, build_mixture
from shimwise.inference.model.prep import MeasuredLanding, Prep
from shimwise.inference.model.priors import Effect
from shimwise.optics.conjugates import magnification

THREE_FEET_MM = 914.4


def built(*settings: str, distance_mm: float = THREE_FEET_MM, lenses: tuple[str, ...] = ("L100",)) -> Built:
    """Model of a landing for each setting, on lenses of 100 mm in turn."""
    landings = tuple(
        MeasuredLanding(
            row=row,
            line=row + 2,
            body="A",
            lens=lenses[row % len(lenses)],
            focal_mm=100.0,
            fnumber=2.0,
            distance_mm=distance_mm,
            landing_um=0.0,
            sd_um=0.5,
            setting=setting,
        )
        for row, setting in enumerate(settings)
    )
    return build_mixture(Prep(readings=(), landings=landings))


def settings_of(model: Built) -> list[str]:
    return [column.name for column in model.model.columns if column.effect is Effect.RING_SETTING]


def test_repeats_of_one_setting_share_one_unknown() -> None:
    assert len(settings_of(built("s", "s", "s"))) == 1
    assert len(settings_of(built("s1", "s2", ""))) == 2


def test_a_name_used_for_another_lens_is_another_setting() -> None:
    assert len(settings_of(built("1", "1", lenses=("L100", "M100")))) == 2


@pytest.mark.parametrize("distance_mm", [THREE_FEET_MM, 4 * THREE_FEET_MM])
def test_its_error_in_object_space_grows_as_the_square_of_the_distance(distance_mm: float) -> None:
    model = built("s", distance_mm=distance_mm).model
    place = next(k for k, column in enumerate(model.columns) if column.effect is Effect.RING_SETTING)
    # Longitudinal magnification m²: µm at the sensor for a millimetre before the lens, at 3 ft.
    grown = (distance_mm / THREE_FEET_MM) ** 2
    m = magnification(focal_mm=100.0, distance_mm=distance_mm)
    assert model.rows.design[0, place] == pytest.approx(1e3 * m * m * grown)
