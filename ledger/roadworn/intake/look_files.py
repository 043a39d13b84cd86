"""The map and the aliases of a look, to keep; what is open waits in them as a comment."""

import json
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from roadworn.intake.look_draft import Draft, Question, counted

_LAYOUT = (
    "delimiter", "cuts",
    "encoding", "sheet", "header", "header_rows", "no_header", "section", "skip",
    "blank", "ditto", "fill_down", "decimal_comma", "dates", "signs",
)  # fmt: skip


def map_text(draft: Draft, aliases: str) -> str:
    """Return the text of a map.

    Args:
        draft: what is known of it.
        aliases: name of the file of aliases.
    """
    head = [
        f"# How {draft.path.name} is read: {counted(draft.rows, 'row')}.",
        "# Made by `roadworn import --look`; docs/import.md tells every key.",
        *(f"# Found: {note}." for note in draft.notes),
    ]
    asked = [q for q in draft.questions if not q.section.startswith("aliases")]
    if asked:
        told = counted(len(asked), "question")
        head.append(f"# OPEN: {told}; take away the # before the line that is right.")
    top = [f"kind = {_toml(draft.kind)}"] if draft.kind else []
    must = [question.text for question in asked if question.blocks]
    if must:
        top += ["# Nothing is taken while this line is here: answer below, then delete it."]
        top += [f"open = {_toml(must)}"]
    top += [f"aliases = {_toml(aliases)}"]
    sections: dict[str, list[str]] = {"": [*top]}
    layout = draft.layout.model_dump()
    plain = type(draft.layout)().model_dump()
    sections["[file]"] = [
        f"{key} = {_toml(layout[key])}" for key in _LAYOUT if layout[key] != plain[key]
    ]
    sections["[columns]"] = _pairs(draft.columns)
    sections["[columns]"] += [
        f"# {_toml(name)} is not used: {why}" for name, why in draft.unused.items()
    ]
    sections["[constants]"] = _pairs(draft.constants)
    sections["[units]"] = _pairs(draft.units)
    sections["[currency]"] = [f"default = {_toml(draft.currency)}"] if draft.currency else []
    jobs = [f"between = {_toml(draft.between)}"] if draft.between else []
    jobs += [f"kind = {_toml(draft.job_kind)}"] if draft.job_kind else []
    jobs += [f"ignore = {_toml(draft.ignore)}"] if draft.ignore else []
    sections["[jobs]"] = jobs
    sections["[jobs.words]"] = _pairs(draft.job_words)
    if draft.share is not None:
        by, amounts, repeated = draft.share
        sections["[share]"] = [f"by = {_toml(by)}", f"amounts = {_toml(amounts)}"]
        sections["[share]"] += ["repeated = true"] if repeated else []
    if draft.reversed is not None:
        by_columns, amounts = draft.reversed
        sections["[reversed]"] = [f"by = {_toml(by_columns)}", f"amounts = {_toml(amounts)}"]
    for target, shapes in draft.patterns.items():
        sections[f"[patterns.{target}]"] = _pairs(shapes)
    _ask(sections, asked)
    text = "\n".join(head) + "\n\n" + _in_sections(sections)
    for heading, words, forms in draft.cases:
        cells = f"{{ {_toml(heading)} = {_toml(words)} }}"
        text += f"\n[[when]]\ncells = {cells}\ndates = {_toml(forms)}\n"
    for kind, columns, constants in draft.events:
        lines = [f"kind = {_toml(kind)}", f"columns = {_table(columns)}"]
        lines += [f"constants = {_table(constants)}"] if constants else []
        text += "\n[[events]]\n" + "\n".join(lines) + "\n"
    if draft.join is not None:
        file, sheet, here, there, keys = draft.join
        lines = [f"file = {_toml(file)}"] if file else []
        lines += [f"sheet = {_toml(sheet)}"] if sheet else []
        on = _toml(here) if here == there else f"{{ {_toml(here)} = {_toml(there)} }}"
        lines += [f"on = {on}", *(f"{key} = {_toml(value)}" for key, value in keys.items())]
        text += "\n[[join]]\n" + "\n".join(lines) + "\n"
    return text


def aliases_text(draft: Draft, map_name: str) -> str:
    """Return the text of a file of aliases; an open word waits as a comment."""
    asked = [q for q in draft.questions if q.section.startswith("aliases")]
    head = [
        f"# What the words of {draft.path.name} stand for; {map_name} reads it.",
        '# A job is "replacement wheel.bearing LF", "maintenance engine.oil", "repair brake.line"',
        '# or "none"; several with ; between them. See docs/import.md.',
    ]
    if asked:
        told = counted(len(asked), "question")
        head.append(f"# OPEN: {told}; fill in, and take away the # before the line.")
    sections: dict[str, list[str]] = {
        f"[{section}]": [
            f"{_toml(word)} = {_toml(one.means)}  # {one.rows:,}" for word, one in words.items()
        ]
        for section, words in draft.aliases.items()
    }
    _ask(sections, asked)
    return "\n".join(head) + "\n\n" + _in_sections(sections)


def _ask(sections: dict[str, list[str]], asked: Iterable[Question]) -> None:
    """Put the open questions into their sections as comments."""
    for question in asked:
        lines = sections.setdefault(question.section.removeprefix("aliases "), [])
        rows = f" ({counted(question.rows, 'row')})" if question.rows else ""
        lines += [f"# {line}" for line in f"ASKED{rows}: {question.text}".splitlines()]
        for line, words in _answers(question):
            lines += [f"# {part}{words}" for part in line.splitlines()]


def _answers(question: Question) -> Iterator[tuple[str, str]]:
    """Yield the lines that answer a question, each with what it says."""
    if "{}" not in question.line and not question.lines:
        yield question.line.format(), ""
        return
    for value, words in question.choices or ((question.likely, ""),):
        told = [words, "likely"] if question.choices and value == question.likely else [words]
        line = question.lines.get(value) or question.line
        yield line.format(_toml(value)), f"  # {', '.join(filter(None, told))}".rstrip(" #")


def _in_sections(sections: Mapping[str, list[str]]) -> str:
    made = []
    for heading, lines in sections.items():
        if heading in {"[share]", "[reversed]"} and all(line.startswith("#") for line in lines):
            heading = f"# {heading}"  # noqa: PLW2901  # an empty one is refused
        if lines:
            made.append("\n".join([heading, *lines] if heading else lines) + "\n")
    return "\n".join(made)


def _pairs(table: Mapping[str, str]) -> list[str]:
    return [f"{_toml(word)} = {_toml(means)}" for word, means in table.items()]


def _table(table: Mapping[str, str]) -> str:
    return f"{{ {', '.join(_pairs(table))} }}"


def _toml(value: Any) -> str:  # noqa: ANN401  # what a map may hold
    """Return a value as TOML writes it; its basic strings are JSON's but for DEL."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return _table(value)
    if isinstance(value, list | tuple):
        return f"[{', '.join(_toml(one) for one in value)}]"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return str(value)
