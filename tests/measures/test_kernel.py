"""Closed forms and block projections against the sums written out."""

from __future__ import annotations

import numpy as np
import pytest

from livesense.measures.kernel import BLOCK, Blocks, Gram, dirichlet
from livesense.turning import turning


def columns(w, n, order):
    t = np.arange(n) - 0.5 * (n - 1)
    h = np.arange(order + 1)
    return t, np.cos(np.outer(t, h * w)), np.sin(np.outer(t, h[1:] * w))


@pytest.mark.parametrize("n", [17, 40, 1025])
def test_dirichlet_is_the_sum_of_cosines(n):
    t = np.arange(n) - 0.5 * (n - 1)
    x = np.array([0.0, 1e-9, 0.3, -0.7, np.pi, 2 * np.pi, 4 * np.pi, 5.9])
    assert dirichlet(x, n) == pytest.approx(np.cos(np.outer(x, t)).sum(axis=1), abs=1e-9 * n)


@pytest.mark.parametrize(("w", "n", "order"), [(0.31, 100, 5), (0.05, 301, 13), (1.2, 64, 2)])
def test_gram_and_its_products_with_the_derivative(w, n, order):
    rng = np.random.default_rng(1)
    a, b = rng.normal(size=(2, order + 1)), rng.normal(size=(2, order))
    t, cos, sin = columns(w, n, order)
    h = np.arange(order + 1)
    slope = t * (-(h * a) @ sin_all(sin).T + (h[1:] * b) @ cos[:, 1:].T)
    gram = Gram.at(w, n, order)
    with_cos, with_sin, square = gram.derivative(a, b)
    assert gram.cos == pytest.approx(cos.T @ cos, abs=1e-9 * n)
    assert gram.sin == pytest.approx(sin.T @ sin, abs=1e-9 * n)
    assert with_cos == pytest.approx(slope @ cos, abs=1e-9 * n**2)
    assert with_sin == pytest.approx(slope @ sin, abs=1e-9 * n**2)
    assert square == pytest.approx(np.sum(slope**2, axis=1), rel=1e-9)


def sin_all(sin):
    return np.concatenate((np.zeros((sin.shape[0], 1)), sin), axis=1)


def test_leverage_is_the_diagonal_of_the_hat_matrix():
    w, n, order = 0.31, 100, 5
    t, cos, sin = columns(w, n, order)
    basis = np.concatenate((cos, sin), axis=1)
    hat = basis @ np.linalg.solve(basis.T @ basis, basis.T)
    x = np.array([0.0, 0.02, 0.31, 0.4, 1.55, 3.0])
    lines = np.exp(1j * np.outer(t, x))
    taken = np.real(np.einsum("tx,ts,sx->x", lines.conj(), hat, lines)) / n
    timed = t[:, None] * lines
    taken_timed = np.real(np.einsum("tx,ts,sx->x", timed.conj(), hat, timed)) / np.sum(t**2)
    gram = Gram.at(w, n, order)
    assert gram.leverage(x) == pytest.approx(taken, abs=1e-9)
    assert gram.leverage_timed(x) == pytest.approx(taken_timed, abs=1e-9)


@pytest.mark.parametrize("n", [20, BLOCK, BLOCK + 1, 5 * BLOCK - 3])
def test_block_projection_and_synthesis_are_those_of_the_whole_window(n):
    rng = np.random.default_rng(2)
    rows = rng.normal(size=(3, n))
    w, order = 0.217, 4
    t = np.arange(n) - 0.5 * (n - 1)
    lines = np.exp(-1j * np.outer(t, np.arange(order + 1) * w))
    blocks = Blocks(rows)
    plain, timed = blocks.project(w, order)
    assert plain == pytest.approx(rows @ lines, abs=1e-9 * n)
    assert timed == pytest.approx((rows * t) @ lines, abs=1e-9 * n**2)
    z = rng.normal(size=(3, order + 1)) + 1j * rng.normal(size=(3, order + 1))
    assert blocks.synthesise(w, z) == pytest.approx(np.real(z @ lines.conj().T), abs=1e-9)


@pytest.mark.parametrize("n", [1, 255, 256, 257, 100_000])
def test_turning_by_coarse_and_fine_steps_is_turning(n: int) -> None:
    found = turning(0.3, -0.0123, n)
    assert found == pytest.approx(np.exp(1j * (0.3 - 0.0123 * np.arange(n))), abs=1e-12)
