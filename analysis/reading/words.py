"""The words of a language: read from its file, checked against the English one, filled slot by slot."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from functools import cache
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from string import Formatter

ENGLISH = "en"
"""The language that is shipped; every other file has the same keys and slots."""

ONE = "_one"
"""The ending of a key that is used instead of its plain one where the number in it is 1 or -1."""


def languages() -> tuple[str, ...]:
    """Return the shipped languages."""
    folder = resources.files("analysis.resources").joinpath("words")
    return tuple(sorted(item.name.removesuffix(".toml") for item in folder.iterdir()))


@cache
def words(language: str = ENGLISH) -> dict[str, dict[str, str]]:
    """Return the sentences of a language by group and key.

    Parameters
    ----------
    language : str
        A shipped language such as "en", or the path of a file of your own that ends in ".toml". Such a file lies
        in a folder `words`, and a file of the same name in the folder `cautions` beside it holds the cautions.

    Raises
    ------
    ValueError
        When there is no such language, or its file lacks a key or a slot of the English one, or has one too many;
        all of them are named.
    """
    found = _table("words", language)
    if language != ENGLISH:
        faults = language_faults(found, words(ENGLISH))
        if faults:
            raise ValueError(f"the words of {language!r} don't match the English ones: {'; '.join(faults)}")
    return found


@cache
def cautions(language: str = ENGLISH) -> tuple[str, ...]:
    """Return the cautions that every report carries."""
    return tuple(_table("cautions", language)["cautions"])


def language_faults(found: Mapping, model: Mapping) -> list[str]:
    """Name each key and each slot of `model` that `found` lacks, and each that `found` has beyond it.

    >>> language_faults({"stuck": {"open": "{first}"}}, {"stuck": {"open": "{first}, {second}", "same": ""}})
    ['[stuck] same is missing', '[stuck] open lacks the slot {second}']
    """
    faults = [f"[{group}] is missing" for group in model if group not in found]
    faults += [f"[{group}] is unknown" for group in found if group not in model]
    for group in model:
        if group not in found:
            continue
        here, there = found[group], model[group]
        if not isinstance(here, Mapping):
            faults.append(f"[{group}] is not a table")
            continue
        faults += [f"[{group}] {key} is missing" for key in there if key not in here]
        faults += [f"[{group}] {key} is unknown" for key in here if key not in there]
        for key in there:
            if key in here:
                faults += _slot_faults(f"[{group}] {key}", here[key], there[key])
    return faults


def _slot_faults(where: str, here: object, there: str) -> list[str]:
    if not isinstance(here, str):
        return [f"{where} is not a text"]
    try:
        given, wanted = slots_of(here), slots_of(there)
    except ValueError as problem:
        return [f"{where} has a brace that opens or closes nothing ({problem})"]
    lacking = [f"{where} lacks the slot {{{name}}}" for name in wanted if name not in given]
    return lacking + [f"{where} has the unknown slot {{{name}}}" for name in given if name not in wanted]


def slots_of(sentence: str) -> list[str]:
    """Return the slots of a sentence, each once, in order; conversions and formats count as part of a name."""
    found = []
    for _, name, form, conversion in Formatter().parse(sentence):
        if name is not None:
            found.append(name + (f"!{conversion}" if conversion else "") + (f":{form}" if form else ""))
    return list(dict.fromkeys(found))


def say(group: str, key: str, language: str = ENGLISH, /, **slots: str | int) -> str:
    """Fill one sentence. Slots are inserted as they are: a brace in a technique's name stays a brace."""
    return words(language)[group][key].format_map({name: str(value) for name, value in slots.items()})


def say_counted(
    group: str, key: str, number: str | int, language: str = ENGLISH, /, **slots: str | int
) -> str:
    """Fill one sentence in the singular where its leading number, as it is shown, is 1 or -1."""
    one = str(number) in ("1", "\N{MINUS SIGN}1") and key + ONE in words(language)[group]
    return say(group, key + ONE if one else key, language, **slots)


def listed(names: Sequence[str], language: str = ENGLISH) -> str:
    """Join names as a sentence does: "meet", "meet and round", "meet, round and day".

    >>> listed(["meet", "round", "day"])
    'meet, round and day'
    """
    if len(names) < 2:
        return "".join(names)
    before = names[0]
    for name in names[1:-1]:
        before = say("list", "more", language, before=before, last=name)
    return say("list", "end", language, before=before, last=names[-1])


def _table(kind: str, language: str) -> dict:
    return tomllib.loads(_file(kind, language).read_text(encoding="utf-8"))


def _file(kind: str, language: str) -> Traversable | Path:
    """Return the file of a kind ("words", "cautions"): a shipped one by its name, another by the path of its words."""
    if language.endswith(".toml"):
        own = Path(language)
        path = own if kind == "words" else own.parent.parent / kind / own.name
        if not path.is_file():
            raise ValueError(f"the language file {path} was not found")
        return path
    if language not in languages():
        known = ", ".join(languages())
        raise ValueError(f"language {language!r} is not one of {known}, nor the path of a .toml file")
    return resources.files("analysis.resources").joinpath(kind, f"{language}.toml")
