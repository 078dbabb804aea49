"""Products of the few numbers of each row of a design: precisions from rows, variances of sums.

Rows of a large house hold some six numbers of hundreds; computed densely they took nearly all of the time.
"""

import numpy as np

from shimwise.arrays import FloatArray

MOST_DENSE = 20_000_000
"""Numbers in a table of products, above which only those that are not 0 are kept."""


class Products:
    """The products of each row's numbers with one another, of a matrix (m, p)."""

    def __init__(self, matrix: FloatArray) -> None:
        m, self.p = matrix.shape
        self.is_dense = m * self.p * self.p <= MOST_DENSE
        if self.is_dense:
            self.table = (matrix[:, :, None] * matrix[:, None, :]).reshape(m, self.p * self.p)
            return
        row, place = np.nonzero(matrix)
        count = np.bincount(row, minlength=m)
        first = np.cumsum(count) - count
        # Each number meets all of its row: numbered one after the other within the row.
        left = np.repeat(np.arange(len(row)), count[row])
        within = np.arange(len(left)) - np.repeat(np.cumsum(count[row]) - count[row], count[row])
        right = first[row[left]] + within
        value = matrix[row, place]
        self.row, self.cell = row[left], place[left] * self.p + place[right]
        self.value = value[left] * value[right]
        self.rows = m

    def summed(self, weight: FloatArray) -> FloatArray:
        """Return the sum over rows of weight (c, m) times row by row, (c, p, p)."""
        if self.is_dense:
            return np.asarray((weight @ self.table).reshape(-1, self.p, self.p))
        sums = [np.bincount(self.cell, one[self.row] * self.value, self.p * self.p) for one in weight]
        return np.asarray(np.stack(sums).reshape(-1, self.p, self.p))

    def variances(self, covariance: FloatArray) -> FloatArray:
        """Return the variance (c, m) of each row's sum of unknowns of this covariance (c, p, p)."""
        flat = covariance.reshape(len(covariance), -1)
        if self.is_dense:
            return np.asarray(flat @ self.table.T)
        sums = [np.bincount(self.row, one[self.cell] * self.value, self.rows) for one in flat]
        return np.asarray(np.stack(sums))
