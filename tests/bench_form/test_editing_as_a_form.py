"""A bench file edited as a form: only what was changed is another, the rest stays to the byte."""

import difflib
import tomllib

import pytest
import tomlkit
from hypothesis import given
from hypothesis import strategies as st

from livesense.bench import parse
from livesense.bench.keys import TABLES
from livesense.bench.template import starter
from livesense.bench_form.editing import edited, read_form
from livesense.bench_form.fields import fields, text_of, value_of
from livesense.errors import BenchError, UsageError
from simulator.main import BENCH

PUMP = BENCH.read_text(encoding="utf-8")


def changed(text, change):
    form = read_form(text, "pump.toml")
    change(form)
    made = edited(text, form, "pump.toml")
    parse(made, "pump.toml")
    lines = difflib.unified_diff(text.splitlines(), made.splitlines(), lineterm="", n=0)
    return [line for line in lines if line[:1] in "+-" and line[:3] not in ("+++", "---")]


@pytest.mark.parametrize(
    "text", [PUMP, starter(), PUMP.replace("\n", "\r\n")], ids=["pump", "starter", "crlf"]
)
def test_a_form_that_nobody_touched_changes_nothing(text):
    assert edited(text, read_form(text, "x"), "x") == text


def test_one_value_is_one_line_and_its_comment_stays():
    text = starter()
    assert "gain = 20" in text
    form = read_form(text, "x")
    at = next(n for n, row in enumerate(form["channel"]) if row["keys"]["name"] == "iv")
    found = changed(text, lambda form: form["channel"][at]["keys"].update(gain="10", shunt="2,5 mΩ"))
    assert [line[0] for line in found] == ["-", "+", "-", "+"]
    for old, new in zip(found[::2], found[1::2], strict=True):
        assert old[1:].partition("#")[1:] == new[1:].partition("#")[1:]
    assert any("gain = 10" in line for line in found)
    assert any('shunt = "2.5 mΩ"' in line for line in found)


def test_a_new_key_stands_in_its_own_table():
    found = changed(PUMP, lambda form: form["motor"].update(resistance="50,5 mΩ"))
    assert found == ['+resistance = "50.5 mΩ"']
    text = edited(
        PUMP, read_form(PUMP, "x") | {"motor": read_form(PUMP, "x")["motor"] | {"resistance": "1 Ω"}}, "x"
    )
    assert text.index("resistance") < text.index("# 5 mΩ, gain 20")


def test_a_key_that_is_left_out_goes():
    assert changed(PUMP, lambda form: form["motor"].pop("sequence")) == ['-sequence = "UVW"']
    assert changed(PUMP, lambda form: form["motor"].update(sequence="  ")) == ['-sequence = "UVW"']


def test_tables_come_and_go():
    new = {"name": "t_motor", "sensor": "ntc", "r25": "10 kΩ", "beta": "3950 K", "pull_up": "10 kΩ"}
    found = changed(PUMP, lambda form: form["channel"].append({"was": None, "keys": new}))
    assert found[0] == "+[[channel]]" and '+name = "t_motor"' in found and found[-1] == "+"
    found = changed(PUMP, lambda form: form["channel"].pop(-1))
    assert "-[[channel]]" in found and all(line.startswith("-") for line in found)
    rule = {"kind": "thermal", "channels": "iu, iv", "pickup": "6,3 A", "tau": "600 s"}
    found = changed(PUMP, lambda form: form["watch"].append({"was": None, "keys": rule}))
    assert '+channels = ["iu", "iv"]' in found and '+pickup = "6.3 A"' in found
    found = changed(PUMP, lambda form: form["limits"].update(speed="2900 rpm, 3100 rpm", unbalance="3,5 %"))
    assert '+speed = ["2900 rpm", "3100 rpm"]' in found and '+unbalance = "3.5 %"' in found


@pytest.mark.parametrize(
    "typed",
    ["1.129148e-3, 2.34125e-4, 8e-8", "0.001129148,0.000234125,8e-8", "1,129148e-3; 2,34125e-4; 8e-8"],
)
def test_numbers_of_a_list(typed):
    new = {"name": "t_motor", "sensor": "ntc", "steinhart_hart": typed, "pull_up": "10 kΩ"}
    form = read_form(PUMP, "x")
    form["channel"].append({"was": None, "keys": new})
    channel = tomllib.loads(edited(PUMP, form, "x"))["channel"][-1]
    assert channel["steinhart_hart"] == [1.129148e-3, 2.34125e-4, 8e-8]
    # What a key means is judged by the bench file's own reader: a word stays one.
    new["steinhart_hart"] = "1e-3, two, 8e-8"
    assert tomllib.loads(edited(PUMP, form, "x"))["channel"][-1]["steinhart_hart"] == [1e-3, "two", 8e-8]


def test_lists_over_several_lines_keep_their_comments_where_they_are_not_changed():
    text = PUMP.replace('channels = ["iu", "iv", "iw"]', 'channels = [\n  "iu", # first\n  "iv",\n]')
    found = changed(text, lambda form: form["watch"][0]["keys"].update(limit="11 A"))
    assert found == ['-limit = "12 A"', '+limit = "11 A"']


@pytest.mark.parametrize("key", ["port", "on_open", "dtr", "rts"])
def test_what_is_opened_and_sent_cannot_be_changed(key):
    form = read_form(PUMP, "x")
    form["link"][key] = "file:/etc/passwd"
    with pytest.raises(UsageError, match="can be changed in an editor only"):
        edited(PUMP, form, "x")
    text = PUMP.replace("[link]", '[link]\nport = "COM5"\non_open = "go"\ndtr = true\nrts = false')
    form = read_form(text, "x")
    del form["link"][key]
    with pytest.raises(UsageError, match="can be changed in an editor only"):
        edited(text, form, "x")


def test_tables_that_do_not_stand_together_are_left_to_an_editor():
    text = '[[channel]]\nname = "a"\n# of the rule\n[[watch]]\nkind = "i2t"\n[[channel]]\nname = "b"\n'
    form = read_form(text, "x")
    assert edited(text, form, "x") == text
    form["channel"][0]["keys"]["name"] = "c"
    with pytest.raises(UsageError, match="do not stand together"):
        edited(text, form, "x")


@pytest.mark.parametrize(
    "form",
    [
        None, [], {"channel": {}}, {"channel": [{"was": 99, "keys": {}}]},
        {"channel": [{"was": -1, "keys": {}}]},
        {"channel": [{"was": True, "keys": {}}]}, {"channel": [5]}, {"motor": {"pole_pairs": 5}},
        {"motor": {"../x": "1"}}, {"motor": {"kind": "x" * 3000}}, {"motor": []},
        {"channel": [{"was": 0, "keys": {}}, {"was": 0, "keys": {}}]},
        {"channel": [{"was": 1, "keys": {}}, {"was": 0, "keys": {}}]},
        {"channel": [{"was": None, "keys": {}}] * 300},
    ],
)  # fmt: skip
def test_what_is_no_form_is_refused(form):
    with pytest.raises(UsageError):
        edited(PUMP, form, "x")


def test_what_is_no_toml_is_refused():
    with pytest.raises(BenchError, match="mend it in an editor"):
        read_form("[bench\n", "pump.toml")


ALL = [(table, field) for table in TABLES for field in fields(table)]


@pytest.mark.parametrize(("table", "field"), ALL, ids=[f"{t}.{f.key}" for t, f in ALL])
def test_the_example_of_each_field_is_taken_as_its_key_takes_it(table, field):
    example = tomllib.loads(f"x = {TABLES[table][field.key].example}")["x"]
    if field.locked:
        return
    assert value_of(field, text_of(example)) == example
    TABLES[table][field.key].read(value_of(field, text_of(example)))
    for word in field.choices:
        TABLES[table][field.key].read(value_of(field, word))
    assert field.purpose


@given(st.sampled_from(ALL), st.text(max_size=40))
def test_any_text_makes_toml_again(what, text):
    table, field = what
    if field.locked or not text.strip():
        return
    form = read_form("", "x")
    if table in ("group", "channel", "watch"):
        form[table] = [{"was": None, "keys": {field.key: text}}]
    else:
        form[table] = {field.key: text}
    tomlkit.parse(edited("", form, "x"))
    tomllib.loads(edited("", form, "x"))


def test_the_purposes_are_those_of_the_docs():
    import purposes_from_docs

    from livesense.bench.purposes import PURPOSES

    assert PURPOSES == purposes_from_docs.purposes(), "run tests/support/purposes_from_docs.py"
