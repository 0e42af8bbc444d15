"""The table of the sense chain: a column where no channel has anything is left out."""

from types import SimpleNamespace

import pytest

from dashboard import run_chain

ROW = ("iu", "U", "5 mΩ × 20, in-line", "−16 to 16 A", "0.008 A", "2048 codes", "")


@pytest.mark.parametrize(("board", "head"), [("", run_chain.HEAD[:-1]), ("B7", run_chain.HEAD)])
def test_an_empty_column_is_left_out(monkeypatch, board, head):
    second = ("t_sink", "", "linear", "", "", "", board)
    monkeypatch.setattr(run_chain, "chain_rows", lambda _: [ROW, second])
    row = SimpleNamespace(bench_name="pump", device=None, wire="framed", version="0")
    (band,) = run_chain.chain(SimpleNamespace(run=SimpleNamespace(row=row), revision=0))
    table = next(part for part in band._traverse() if type(part).__name__ == "Table")
    top, body = table.children
    assert tuple(cell.children for cell in top.children.children) == head
    cells = [[cell.children for cell in line.children] for line in body.children]
    assert cells == [list(ROW[: len(head)]), list(second[: len(head)])]
