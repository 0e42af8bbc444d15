"""A bench file's text after a form: only what was changed is another, comments and order stay."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Table

from livesense.bench.keys import REPEATED, TABLES
from livesense.bench_form.fields import LOCKED, Field, fields, form_of, text_of, value_of
from livesense.errors import BenchError, UsageError

MOST_TABLES = 200
LONGEST_TEXT = 2000


def read_form(text: str, file: str) -> dict[str, Any]:
    """Read a bench file's text as a form.

    Raises
    ------
    BenchError
        when it is no TOML: then it has to be mended in an editor.
    """
    return form_of(_document(text, file).unwrap())


def edited(text: str, form: Any, file: str) -> str:
    """Give the text of a file as a form has it.

    Raises
    ------
    UsageError
        The form is none, or changes what a form may not change.
    BenchError
        The file is no TOML.
    """
    document = _document(text, file)
    before, after = form_of(document.unwrap()), _checked(form)
    if tomlkit.dumps(document) != text and before != after:
        raise UsageError(
            f"{file}: tables of one kind do not stand together in it: put them together in an editor first"
        )
    for table in TABLES:
        if table in REPEATED:
            _rows(document, table, before[table], after[table])
        else:
            _one(document, table, before[table], after[table])
    if before == after:
        return text
    made = tomlkit.dumps(document)
    return made if text.endswith("\n\n") else made.rstrip("\n") + text[len(text.rstrip("\n")) :]


def _document(text: str, file: str) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(text)
    except (TOMLKitError, ValueError, RecursionError) as error:
        raise BenchError(
            f"{file}: expected TOML, got something else: {error}; mend it in an editor"
        ) from error


def _checked(form: Any) -> dict[str, Any]:
    """Hold what came to the shape of a form."""
    if not isinstance(form, Mapping):
        raise UsageError("expected a form: texts by table and key")
    found: dict[str, Any] = {}
    for table in TABLES:
        given = form.get(table, [] if table in REPEATED else {})
        if table not in REPEATED:
            found[table] = _texts(table, given)
            continue
        if not isinstance(given, list) or len(given) > MOST_TABLES:
            raise UsageError(f"{table}: expected at most {MOST_TABLES} tables")
        rows = []
        for row in given:
            was = row.get("was") if isinstance(row, Mapping) else -1
            if was is not None and (not isinstance(was, int) or isinstance(was, bool) or was < 0):
                raise UsageError(f"{table}: expected where each table stood")
            rows.append({"was": was, "keys": _texts(table, row.get("keys"))})
        found[table] = rows
    return found


def _texts(table: str, given: Any) -> dict[str, str]:
    if not isinstance(given, Mapping):
        raise UsageError(f"{table}: expected texts by key")
    known = {field.key for field in fields(table)}
    for key, text in given.items():
        if key not in known:
            raise UsageError(f"{table}: expected one of its keys, got {str(key)[:40]!r}")
        if not isinstance(text, str) or len(text) > LONGEST_TEXT:
            raise UsageError(f"{table}: {key}: expected a text of at most {LONGEST_TEXT} characters")
    return {key: text.strip() for key, text in given.items() if text.strip()}


def _one(document: Any, table: str, before: Mapping[str, str], after: Mapping[str, str]) -> None:
    if before == after:
        return
    *above, last = table.split(".")
    place = document
    for part in above:
        if part not in place:
            place[part] = tomlkit.table()
        place = place[part]
    if last not in place:
        place[last] = tomlkit.table()
    _keys(place[last], table, before, after)


def _keys(place: Any, table: str, before: Mapping[str, str], after: Mapping[str, str]) -> None:
    for key in LOCKED.get(table, ()):
        if before.get(key) != after.get(key):
            raise UsageError(f"{table}: {key}: can be changed in an editor only")
    sensor = after.get("sensor", "")
    for field in _in_order(table, before, after):
        old, new = before.get(field.key), after.get(field.key)
        if old == new:
            continue
        if new is None:
            place.remove(field.key)
        else:
            value = value_of(field, new, sensor=sensor)
            if old is None or text_of(value) != old:
                _set(place, field.key, value)


def _set(place: Any, key: str, value: Any) -> None:
    """Put a value where the old one stood, the comment behind it kept."""
    if key not in place:
        _append(place, key, value)
        return
    old = place.item(key) if hasattr(place, "item") else None
    new = tomlkit.item(value)
    if isinstance(value, dict):
        inline = tomlkit.inline_table()
        inline.update(value)
        new = inline
    trivia = getattr(old, "trivia", None)
    if trivia is not None:
        new.trivia.comment_ws, new.trivia.comment = trivia.comment_ws, trivia.comment
    place[key] = new


def _append(place: Any, key: str, value: Any) -> None:
    """Add a key behind the last one of its table, before what leads to the next: empty lines, comments."""
    item: Any = tomlkit.item(value)
    if isinstance(value, dict):
        item = tomlkit.inline_table()
        item.update(value)
    tail = []
    body = place.value.body if isinstance(place, Table) else []
    while body and body[-1][0] is None:
        tail.append(body.pop())
    place.append(key, item)
    body.extend(reversed(tail))


def _in_order(table: str, before: Mapping[str, str], after: Mapping[str, str]) -> Iterable[Field]:
    changed = {key for key in before.keys() | after.keys() if before.get(key) != after.get(key)}
    return [field for field in fields(table) if field.key in changed]


def _rows(document: Any, table: str, before: list[dict[str, Any]], after: list[dict[str, Any]]) -> None:
    kept = [row["was"] for row in after if row["was"] is not None]
    if sorted(set(kept)) != sorted(kept) or any(was >= len(before) for was in kept) or kept != sorted(kept):
        raise UsageError(f"{table}: expected each of its {len(before)} tables at most once, in their order")
    tables = document.get(table)
    for row in after:
        if row["was"] is not None:
            _keys(tables[row["was"]], table, before[row["was"]]["keys"], row["keys"])
    for number in range(len(before) - 1, -1, -1):
        if number not in kept:
            del tables[number]
    new = [row for row in after if row["was"] is None]
    if not new:
        return
    if tables is None or not isinstance(tables, AoT):
        tables = tomlkit.aot()
        document.append(table, tables)
    for row in new:
        if len(tables) and not _ends_empty(tables[-1]):
            tables[-1].add(tomlkit.nl())
        made = tomlkit.table()
        for field in _in_order(table, {}, row["keys"]):
            _append(
                made, field.key, value_of(field, row["keys"][field.key], sensor=row["keys"].get("sensor", ""))
            )
        made.add(tomlkit.nl())
        tables.append(made)


def _ends_empty(table: Any) -> bool:
    """Tell whether an empty line, or a comment, stands at the end of a table."""
    body = table.value.body
    return bool(body) and body[-1][0] is None
