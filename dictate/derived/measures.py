"""Measurements against published limits, grades with a meaning, and right against left."""

from __future__ import annotations

from collections.abc import Iterable

from dictate.derived.facts import OTHER, Computed, Context, band_of, clean, fits, shown, span, value_of
from dictate.norms import Band, Difference, Limit, Norms
from dictate.record import Derived, Entry


def _believed(entry: Entry, bounds: tuple[float, float] | None) -> tuple[float, float] | None:
    pair = span(entry.value)
    if pair is None or (bounds and not bounds[0] <= pair[0] <= pair[1] <= bounds[1]):
        return None
    return pair


def limits(entries: Iterable[Entry], norms: Norms) -> list[Computed]:
    """Every measurement that has a published limit, with where it lies."""
    out: list[Computed] = []
    for entry in entries:
        for limit in norms.limit:
            if limit.item == entry.item and fits(entry.context, limit.context):
                out += _limit(entry, limit, norms)
    return out


def _limit(entry: Entry, limit: Limit, norms: Norms) -> list[Computed]:
    pair = _believed(entry, limit.believable)
    if pair is None:
        return []
    low, high = band_of(limit.band, pair[0]), band_of(limit.band, pair[1])
    words = {"value": shown(entry.value), "unit": norms.limits.units.get(entry.unit, entry.unit)}
    if low is not high:
        source = list(dict.fromkeys(key for band in (low, high) if band for key in band.source))
        text, value, outside = norms.limits.straddles, "straddles", False
    elif low is not None:
        text, value, outside, source = low.text, low.value, low.outside, low.source
    elif limit.quiet:
        return []
    else:
        text, value, outside, source = limit.inside, "inside", False, limit.inside_source
    sentence = " ".join(text.format(**words).split())
    derived = Derived(limit.key, entry.side, value, "", sentence, (entry.id,), norms.cite(source), outside)
    return [Computed(limit.key, derived, entry.context)]


def grades(entries: Iterable[Entry], norms: Norms) -> list[Computed]:
    """Every grade whose scale has a published meaning."""
    out: list[Computed] = []
    for entry in entries:
        for scale in norms.grade:
            meaning = scale.values.get(str(entry.value)) if scale.item == entry.item else None
            if meaning is not None:
                derived = Derived(
                    scale.key,
                    entry.side,
                    meaning.value,
                    scale.unit,
                    meaning.text,
                    (entry.id,),
                    norms.cite(scale.source),
                    meaning.outside,
                )
                out.append(Computed(scale.key, derived, entry.context))
    return out


def _single(entries: list[Entry], side: str, rule: Difference) -> tuple[tuple[float, float], tuple[Entry, ...]] | None:
    """The one value of a side; None where it is missing, told differently or not believable."""
    of_side = [e for e in entries if e.side == side]
    pairs = {_believed(e, rule.believable) for e in of_side}
    pair = pairs.pop() if len(pairs) == 1 else None
    return None if pair is None else (pair, tuple(of_side))


def differences(entries: Iterable[Entry], norms: Norms) -> list[Computed]:
    """Right against left, once for each circumstance (light) in which both are told."""
    every = list(entries)
    out: list[Computed] = []
    for rule in norms.difference:
        of_item = [e for e in every if e.item == rule.item]
        for place in dict.fromkeys(str(e.context.get(rule.per, "")) if rule.per else "" for e in of_item):
            here = [e for e in of_item if not rule.per or str(e.context.get(rule.per, "")) == place]
            out += _difference(here, place, rule, norms)
    return out


def _difference(entries: list[Entry], place: str, rule: Difference, norms: Norms) -> list[Computed]:
    right, left = _single(entries, "right", rule), _single(entries, "left", rule)
    if right is None or left is None:
        return []
    if any(len({e.context.get(key) for e in right[1] + left[1]}) > 1 for key in rule.alike):
        return []
    low, high = right[0][0] - left[0][1], right[0][1] - left[0][0]
    side = "right" if low >= 0 and high > 0 else "left" if high <= 0 and low < 0 else None
    bounds = sorted((abs(clean(low)), abs(clean(high))))
    pair = (bounds[0] if side or low == high else 0.0, bounds[1])
    text, source, outside = _comparison(pair, side, rule)
    words = {"value": shown(value_of(pair)), "side": side or "neither", "place": rule.places.get(place, "")}
    context: Context = {rule.per: place} if rule.per and place else {}
    key = f"{rule.key}.{place}" if place else rule.key
    ids = tuple(e.id for e in entries if e.side in OTHER)
    sentence = " ".join(text.format(**words).split())
    derived = Derived(key, side, value_of(pair), rule.unit, sentence, ids, norms.cite(source), outside)
    return [Computed(rule.key, derived, context)]


def _comparison(pair: tuple[float, float], side: str | None, rule: Difference) -> tuple[str, list[str], bool]:
    if pair == (0, 0):
        return rule.equal, rule.inside_source, False
    band: Band | None = band_of(rule.band, pair[0])
    if band is not band_of(rule.band, pair[1]) or side is None:
        return rule.straddles, rule.inside_source, False
    if band is not None:
        return band.text, band.source, band.outside
    return rule.inside, rule.inside_source, False


def greater_in(differing: list[Computed], norms: Norms) -> list[Computed]:
    """In which light the difference of the pupils is greater, where both lights are told."""
    rule = norms.pupil_light
    by_light = {str(v): c.derived for c in differing if c.base == rule.difference for v in c.context.values()}
    dim, bright = by_light.get(rule.dim), by_light.get(rule.bright)
    if dim is None or bright is None or isinstance(dim.value, list) or isinstance(bright.value, list):
        return []
    in_dim, in_bright = float(dim.value or 0), float(bright.value or 0)
    if max(in_dim, in_bright) < rule.worth:
        return []
    step = in_dim - in_bright
    if dim.side and bright.side and dim.side != bright.side:
        value, text = "swapped", rule.swapped
    elif abs(step) < rule.step:
        value, text = "same", rule.same
    else:
        value, text = (rule.dim, rule.in_dim) if step > 0 else (rule.bright, rule.in_bright)
    side = (dim if in_dim >= in_bright else bright).side
    words = {
        "dim": f"{in_dim:g}",
        "bright": f"{in_bright:g}",
        "side": side,
        "dim_side": dim.side,
        "bright_side": bright.side,
    }
    ids = tuple(dict.fromkeys(dim.entries + bright.entries))
    shown_side = None if value == "swapped" else side
    derived = Derived(rule.key, shown_side, value, "", text.format(**words), ids, norms.cite(rule.source))
    return [Computed(rule.key, derived)]
