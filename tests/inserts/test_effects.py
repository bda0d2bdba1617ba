# SPDX-License-Identifier: GPL-3.0-or-later
"""What pedalboard tells of its effects, and what it refuses."""

import inspect

import pedalboard
import pytest

from dsp.errors import RecipeError
from dsp.inserts.effects import check_settings, effect_classes, full_settings, parameters
from dsp.recipe import parse_recipe

GIVEN = {"Convolution": {"impulse_response_filename": "hall.wav"}}


def recipe(insert: str) -> str:
    return f"drumprint: 1\ntracks:\n  top:\n    steps:\n      - insert: {insert}\n"


def faults(insert: str) -> list[str]:
    with pytest.raises(RecipeError) as caught:
        parse_recipe(recipe(insert))
    return [str(fault) for fault in caught.value.faults]


def test_every_effect_of_pedalboard_is_there():
    kinds = {
        name
        for name, kind in vars(pedalboard).items()
        if inspect.isclass(kind)
        and issubclass(kind, pedalboard.Plugin)
        and not issubclass(kind, pedalboard.PluginContainer | pedalboard.ExternalPlugin)
    }
    bases = {"Plugin", "IIRFilter"}
    assert set(effect_classes()) == kinds - bases
    assert len(effect_classes()) >= 20


@pytest.mark.parametrize("effect", effect_classes())
def test_settings_are_the_attributes_of_the_effect_with_its_defaults(effect):
    kind = effect_classes()[effect]
    attributes = {name for name, value in vars(kind).items() if isinstance(value, property)}
    attributes |= {
        name
        for base in kind.__mro__[1:]
        if base.__name__ == "IIRFilter"
        for name, value in vars(base).items()
        if isinstance(value, property)
    }
    assert set(parameters(effect)) == attributes - {"impulse_response"}
    settings = full_settings(effect, check_settings(effect, GIVEN.get(effect, {})))
    assert set(settings) == set(parameters(effect))
    if effect in GIVEN:
        return
    made = kind()
    for name, value in settings.items():
        found = getattr(made, name)
        assert (
            found == pytest.approx(value) if isinstance(value, float) else str(value) in str(found)
        )


def test_numbers_may_carry_the_unit_of_their_name():
    found = check_settings("PeakFilter", {"cutoff_frequency_hz": "2.4 kHz", "gain_db": "−3 dB"})
    assert found == {"cutoff_frequency_hz": 2400.0, "gain_db": -3.0}
    assert check_settings("Delay", {"delay_seconds": "250 ms"}) == {"delay_seconds": 0.25}
    assert check_settings("Compressor", {"attack_ms": "0.5 s"}) == {"attack_ms": 500.0}
    with pytest.raises(ValueError, match=r"found '3 ms'; accepted: a number \(dB\)"):
        check_settings("Gain", {"gain_db": "3 ms"})


@pytest.mark.parametrize(
    ("insert", "place", "said"),
    [
        ("{effect: peakfilter}", "insert.effect", "nearest accepted: PeakFilter"),
        ("{effect: VST3Plugin}", "insert.effect", "found the effect 'VST3Plugin'"),
        ("{effect: Gain, settings: {gain: 3}}", "insert.settings", "nearest accepted: gain_db"),
        ("{effect: Compressor, settings: {ratio: 0.5}}", "insert.settings", ">= 1.0"),
        ("{effect: Compressor, settings: {ratio: x}}", "insert.settings", "ratio: found 'x'"),
        ("{effect: LadderFilter, settings: {mode: lpf24}}", "settings", "nearest accepted: LPF24"),
        ("{effect: BrickwallLimiter, settings: {true_peak: 1}}", "settings", "true or false"),
        ("{effect: Convolution}", "insert", "impulse_response_filename: found nothing"),
        ("{}", "insert", "found neither of effect and plugin"),
        ("{effect: Gain, plugin: a.vst3}", "insert", "found both of effect and plugin"),
    ],
)
def test_a_wrong_insert_is_told_when_the_recipe_is_checked(insert, place, said):
    (told,) = faults(insert)
    assert place in told
    assert said in told
    assert "line 5" in told


def test_all_faults_of_the_settings_are_told_at_once():
    (told,) = faults("{effect: Compressor, settings: {treshold_db: -20, ratio: x, attack: 2}}")
    for part in ("threshold_db", "ratio: found 'x'", "attack_ms"):
        assert part in told
