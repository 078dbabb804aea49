"""One Gaussian posterior of all bodies, lenses and persons of a house, by elimination of its blocks.

Unknowns come in three blocks. A *tape* touches one state of one body and the lenses read there; a body's
*states* form chains in time; everything else (lenses, sets, scales, persons) is one *dense* block. Tapes are
eliminated first (diagonal), then the chains (tridiagonal), and the dense block is solved. What the rows need
of the inverse, variances and covariances of neighbours, is computed on the way back.

References
----------
.. [1] T. A. Davis, *Direct Methods for Sparse Linear Systems* (2006), ch. 4 and 7 (elimination in an order
   that keeps fill small; cited from memory).
.. [2] K. Takahashi, J. Fagan, M. Chin, "Formation of a sparse bus impedance matrix and its application to
   short circuit study", PICA Proc. 8 (1973) 63-69 (entries of the inverse
   on the pattern alone; cited from memory).
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from shimwise.arrays import FloatArray, IntArray

TAPES_AT_ONCE = 8192


@dataclass(frozen=True, slots=True)
class DistinctRows:
    """The c distinct rows: η = x[state] + Σ dense_coefficient·x[dense] + tape_coefficient·x[tape].

    ``state`` (c,), ``tape`` (c,) and ``tape_coefficient`` (c,), ``dense`` and ``dense_coefficient`` (c, s).
    A tape belongs to one state. ``following`` (links,) are states whose chain goes on to the state
    ``following + 1``; states of a chain are consecutive.
    """

    state: IntArray
    tape: IntArray
    tape_coefficient: FloatArray
    dense: IntArray
    dense_coefficient: FloatArray
    states: int
    tapes: int
    dense_count: int
    following: IntArray


@dataclass(frozen=True, slots=True)
class Information:
    """Gaussian information beside the rows: precision and pull of every state, tape, dense unknown and link.

    A link is the difference of a chain's next state and this one. ``dense_matrix`` (d, d), if given, is
    added to the diagonal ``dense_precision``.
    """

    state_precision: FloatArray
    state_pull: FloatArray
    tape_precision: FloatArray
    tape_pull: FloatArray
    dense_precision: FloatArray
    dense_pull: FloatArray
    link_precision: FloatArray
    link_pull: FloatArray
    dense_matrix: FloatArray | None = None


@dataclass(frozen=True, slots=True)
class Solution:
    """Posterior means, variances and the covariances that rows, links and reports need.

    ``log_determinant`` of the whole precision; ``state_dense`` (states, d) covariances of states with the
    dense block; ``link_variance`` of the differences along the chains.
    """

    state: FloatArray
    tape: FloatArray
    dense: FloatArray
    state_variance: FloatArray
    tape_variance: FloatArray
    dense_covariance: FloatArray
    state_dense: FloatArray
    link_variance: FloatArray
    row_mean: FloatArray
    row_variance: FloatArray
    log_determinant: float
    quadratic: float


class Network:
    """The fixed pattern of a house's rows; :meth:`solve` does the work for given information."""

    def __init__(self, cells: DistinctRows) -> None:
        self.cells = cells
        self.width = cells.dense_count + 1  # the last column takes what pads
        self.neighbours, self.place = _neighbours(cells)
        self.state_of_tape = np.zeros(cells.tapes, dtype=np.intp)
        self.state_of_tape[cells.tape] = cells.state
        self.steps = _steps(cells)
        self.is_following = np.zeros(cells.states, dtype=bool)
        self.is_following[cells.following] = True

    def solve(self, precision: FloatArray, pull: FloatArray, information: Information) -> Solution:
        """Return the posterior of rows with ``precision`` and ``pull`` (c,), and other information."""
        c, d = self.cells, self.cells.dense_count
        q, tape_state, tape_dense, tape_pull = self._tapes(precision, pull, information)
        diagonal, state_pull, reach = self._states(precision, pull, information)
        block, dense_pull = self._dense(precision, pull, information)
        self._eliminate_tapes(
            q, tape_state, tape_dense, tape_pull, diagonal, state_pull, reach, block, dense_pull
        )
        reach, block, dense_pull = np.ascontiguousarray(reach[:, :d]), block[:d, :d], dense_pull[:d]
        off = np.zeros(c.states)
        off[c.following] = -information.link_precision
        self._forward(diagonal, off, reach, state_pull)
        quadratic = float(np.sum(tape_pull**2 / q) + np.sum(state_pull**2 / diagonal))
        scaled = reach / np.sqrt(diagonal)[:, None]
        block = block - scaled.T @ scaled  # of a matrix with itself numpy works out half
        scaled /= np.sqrt(diagonal)[:, None]
        dense_pull = dense_pull - scaled.T @ state_pull
        root = np.linalg.cholesky(block)
        covariance = np.asarray(np.linalg.inv(block), dtype=np.float64)
        dense = covariance @ dense_pull
        quadratic += float(dense @ dense_pull)
        log_determinant = float(np.log(q).sum() + np.log(diagonal).sum() + 2 * np.log(np.diag(root)).sum())
        state, inverse, inverse_next = self._backward(diagonal, off, scaled, state_pull)
        state = state - scaled @ dense
        spread = scaled @ covariance
        state_variance = inverse + np.einsum("ij,ij->i", spread, scaled)
        follow = c.following
        joint = inverse_next[follow] + np.einsum("ij,ij->i", spread[follow], scaled[follow + 1])
        link_variance = state_variance[follow] + state_variance[follow + 1] - 2 * joint
        state_dense = np.concatenate([-spread, np.zeros((c.states, 1))], axis=1)
        padded = np.zeros((d + 1, d + 1))
        padded[:d, :d] = covariance
        tape, tape_variance, tape_with_state, tape_with_dense = self._tapes_back(
            q,
            tape_state,
            tape_dense,
            tape_pull,
            state,
            np.append(dense, 0.0),
            state_variance,
            state_dense,
            padded,
        )
        mean = (
            state[c.state]
            + (c.dense_coefficient * np.append(dense, 0.0)[c.dense]).sum(1)
            + c.tape_coefficient * tape[c.tape]
        )
        variance = self._row_variance(
            state_variance, state_dense, padded, tape_variance, tape_with_state, tape_with_dense
        )
        return Solution(
            state=state,
            tape=tape,
            dense=dense,
            state_variance=state_variance,
            tape_variance=tape_variance,
            dense_covariance=covariance,
            state_dense=state_dense[:, :d],
            link_variance=np.maximum(link_variance, 1e-12),
            row_mean=mean,
            row_variance=np.maximum(variance, 1e-12),
            log_determinant=log_determinant,
            quadratic=quadratic,
        )

    def _tapes(
        self, precision: FloatArray, pull: FloatArray, information: Information
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        c, wide = self.cells, self.neighbours.shape[1]
        on_tape = precision * c.tape_coefficient
        q = information.tape_precision + np.bincount(c.tape, on_tape * c.tape_coefficient, c.tapes)
        with_state = np.bincount(c.tape, on_tape, c.tapes)
        with_dense = np.zeros(c.tapes * wide)
        for s in range(c.dense.shape[1]):
            with_dense += np.bincount(
                c.tape * wide + self.place[:, s], on_tape * c.dense_coefficient[:, s], c.tapes * wide
            )
        own_pull = information.tape_pull + np.bincount(c.tape, pull * c.tape_coefficient, c.tapes)
        return q, np.asarray(with_state, dtype=np.float64), with_dense.reshape(c.tapes, wide), own_pull

    def _states(
        self, precision: FloatArray, pull: FloatArray, information: Information
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        c, width = self.cells, self.width
        diagonal = information.state_precision + np.bincount(c.state, precision, c.states)
        own_pull = information.state_pull + np.bincount(c.state, pull, c.states)
        diagonal[c.following] += information.link_precision
        diagonal[c.following + 1] += information.link_precision
        own_pull[c.following] -= information.link_pull
        own_pull[c.following + 1] += information.link_pull
        reach = np.zeros(c.states * width)
        for s in range(c.dense.shape[1]):
            reach += np.bincount(
                c.state * width + c.dense[:, s], precision * c.dense_coefficient[:, s], c.states * width
            )
        return diagonal, own_pull, reach.reshape(c.states, width)

    def _dense(
        self, precision: FloatArray, pull: FloatArray, information: Information
    ) -> tuple[FloatArray, FloatArray]:
        c, width = self.cells, self.width
        flat, own_pull = np.zeros(width * width), np.zeros(width)
        for s in range(c.dense.shape[1]):
            by_one = precision * c.dense_coefficient[:, s]
            own_pull += np.bincount(c.dense[:, s], pull * c.dense_coefficient[:, s], width)
            for t in range(s + 1):
                half = by_one * c.dense_coefficient[:, t] * (0.5 if s == t else 1.0)
                flat += np.bincount(c.dense[:, s] * width + c.dense[:, t], half, width * width)
        block = flat.reshape(width, width)
        block = block + block.T
        d = c.dense_count
        block[np.arange(d), np.arange(d)] += information.dense_precision
        if information.dense_matrix is not None:
            block[:d, :d] += information.dense_matrix
        own_pull[:d] += information.dense_pull
        return block, own_pull

    def _eliminate_tapes(
        self,
        q: FloatArray,
        with_state: FloatArray,
        with_dense: FloatArray,
        tape_pull: FloatArray,
        diagonal: FloatArray,
        state_pull: FloatArray,
        reach: FloatArray,
        block: FloatArray,
        dense_pull: FloatArray,
    ) -> None:
        """Take the tapes out of the other blocks, in place; the padding column is emptied."""
        c, width, near = self.cells, self.width, self.neighbours
        by_q = with_state / q
        diagonal -= np.bincount(self.state_of_tape, with_state * by_q, c.states)
        state_pull -= np.bincount(self.state_of_tape, by_q * tape_pull, c.states)
        places = (self.state_of_tape[:, None] * width + near).ravel()
        reach -= np.bincount(places, (by_q[:, None] * with_dense).ravel(), c.states * width).reshape(
            reach.shape
        )
        dense_pull -= np.bincount(near.ravel(), (with_dense * (tape_pull / q)[:, None]).ravel(), width)
        for start in range(0, c.tapes, TAPES_AT_ONCE):
            some = slice(start, start + TAPES_AT_ONCE)
            products = with_dense[some, :, None] * (with_dense[some] / q[some, None])[:, None, :]
            places = near[some, :, None] * width + near[some, None, :]
            block -= np.bincount(places.ravel(), products.ravel(), width * width).reshape(block.shape)

    def _forward(
        self, diagonal: FloatArray, off: FloatArray, reach: FloatArray, state_pull: FloatArray
    ) -> None:
        """Eliminate every chain from its first state on, all chains at once, in place."""
        for here in self.steps[1:]:
            before = here - 1
            ratio = off[before] / diagonal[before]
            diagonal[here] -= ratio * off[before]
            state_pull[here] -= ratio * state_pull[before]
            reach[here] -= ratio[:, None] * reach[before]

    def _backward(
        self, diagonal: FloatArray, off: FloatArray, scaled: FloatArray, state_pull: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the chains' solution alone, its variances and covariances with the next state.

        ``scaled`` is solved in place.
        """
        state, variance = state_pull / diagonal, 1 / diagonal
        with_next = np.zeros(len(diagonal))
        for here in reversed(self.steps):
            on = here[self.is_following[here]]
            ratio = off[on] / diagonal[on]
            state[on] -= ratio * state[on + 1]
            scaled[on] -= ratio[:, None] * scaled[on + 1]
            with_next[on] = -ratio * variance[on + 1]
            variance[on] -= ratio * with_next[on]
        return state, variance, with_next

    def _tapes_back(
        self,
        q: FloatArray,
        with_state: FloatArray,
        with_dense: FloatArray,
        tape_pull: FloatArray,
        state: FloatArray,
        dense: FloatArray,
        state_variance: FloatArray,
        state_dense: FloatArray,
        covariance: FloatArray,
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Return the tapes' means and variances, covariances with their state and with their neighbours."""
        near, at = self.neighbours, self.state_of_tape
        tape = (tape_pull - with_state * state[at] - (with_dense * dense[near]).sum(1)) / q
        beside = state_dense[at[:, None], near]
        cross = -(with_state * state_variance[at] + (with_dense * beside).sum(1)) / q
        reach = np.empty_like(with_dense)
        for start in range(0, len(q), TAPES_AT_ONCE):
            some = slice(start, start + TAPES_AT_ONCE)
            block = covariance[near[some, :, None], near[some, None, :]]
            inner = np.matmul(block, with_dense[some, :, None])[:, :, 0]
            reach[some] = -(with_state[some, None] * beside[some] + inner) / q[some, None]
        variance = (1 - with_state * cross - (with_dense * reach).sum(1)) / q
        return tape, variance, cross, reach

    def _row_variance(
        self,
        state_variance: FloatArray,
        state_dense: FloatArray,
        covariance: FloatArray,
        tape_variance: FloatArray,
        tape_with_state: FloatArray,
        tape_with_dense: FloatArray,
    ) -> FloatArray:
        c = self.cells
        variance = state_variance[c.state] + c.tape_coefficient**2 * tape_variance[c.tape]
        variance += 2 * c.tape_coefficient * tape_with_state[c.tape]
        for s in range(c.dense.shape[1]):
            here, by = c.dense[:, s], c.dense_coefficient[:, s]
            with_others = 2 * state_dense[c.state, here] + by * covariance[here, here]
            with_others += 2 * c.tape_coefficient * tape_with_dense[c.tape, self.place[:, s]]
            for t in range(s):
                with_others += 2 * c.dense_coefficient[:, t] * covariance[here, c.dense[:, t]]
            variance += by * with_others
        return np.asarray(variance)


def _neighbours(cells: DistinctRows) -> tuple[IntArray, IntArray]:
    """Return the dense unknowns beside each tape (tapes, m), padded, and their places in each row (c, s)."""
    slots = cells.dense.shape[1]
    keys = cells.tape[:, None] * (cells.dense_count + 1) + cells.dense
    distinct, where = np.unique(keys.ravel(), return_inverse=True)
    tape = distinct // (cells.dense_count + 1)
    first = np.searchsorted(tape, np.arange(cells.tapes))
    place = np.arange(len(distinct)) - first[tape]
    neighbours = np.full((cells.tapes, int(place.max(initial=0)) + 1), cells.dense_count, dtype=np.intp)
    neighbours[tape, place] = distinct % (cells.dense_count + 1)
    return neighbours, place[where].reshape(-1, slots)


def _steps(cells: DistinctRows) -> tuple[IntArray, ...]:
    """Return the states by their place in their chain: first ones, second ones, and so on."""
    is_continued = np.zeros(cells.states, dtype=bool)
    is_continued[cells.following + 1] = True
    starts = np.flatnonzero(~is_continued)
    place = (
        np.arange(cells.states) - starts[np.searchsorted(starts, np.arange(cells.states), side="right") - 1]
    )
    order = np.argsort(place, kind="stable")
    bounds = np.searchsorted(place[order], np.arange(int(place.max(initial=0)) + 2))
    return tuple(order[a:b] for a, b in pairwise(bounds))
