"""Standard errors and degrees of freedom where rows come in clusters and the clusters are few.

An estimate with the scores s and the information J of its rows: C clusters, p parameters. Least squares and maximum
likelihood alike.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
LEAST_FREEDOM = 3.0  # degrees of freedom below which there is no interval: it would tell of the clusters' number alone
LEVEL = 0.95
_ALONE = 1e-9  # of a cluster's share of the information: nearer to 1 than that is all of it
_LOST = 1e-6


def codes(names: NDArray[Any]) -> NDArray[np.int64]:
    """(n,) names as numbers 0, 1, … in alphabetical order."""
    return np.unique(np.asarray(names).astype(str), return_inverse=True)[1].astype(np.int64)


def sums(cluster: NDArray[np.int64], rows: FloatArray) -> FloatArray:
    """(C, …) sums of rows (n, …) within clusters 0, 1, …"""
    found = np.zeros((int(cluster.max()) + 1, *rows.shape[1:]))
    np.add.at(found, cluster, rows)
    return found


def critical(df: FloatArray) -> FloatArray:
    """Half the 95 % interval in standard errors, by Student's t; NaN below LEAST_FREEDOM."""
    from scipy.special import stdtrit

    return np.where(df >= LEAST_FREEDOM, stdtrit(np.maximum(df, LEAST_FREEDOM), (1.0 + LEVEL) / 2.0), np.nan)


@dataclass(frozen=True, eq=False)
class Estimates:
    """k numbers with standard error and degrees of freedom: value, se, df (k,); df 0 where one cluster alone decides a
    number."""

    value: FloatArray
    se: FloatArray
    df: FloatArray

    @property
    def half_width(self) -> FloatArray:
        """(k,) half the 95 % interval; NaN below LEAST_FREEDOM."""
        return critical(self.df) * self.se

    @property
    def p(self) -> FloatArray:
        """(k,) two-sided, of the number being 0; NaN below LEAST_FREEDOM."""
        from scipy.special import stdtr

        with np.errstate(divide="ignore", invalid="ignore"):
            t = np.where(self.value == 0, 0.0, np.abs(self.value) / self.se)
        return np.where(self.df >= LEAST_FREEDOM, 2.0 * stdtr(np.maximum(self.df, LEAST_FREEDOM), -t), np.nan)


@dataclass(frozen=True, eq=False)
class Clustered:
    """Bias-reduced sandwich "CR2" (R. M. Bell, D. F. McCaffrey, Survey Methodology 28(2), 2002; J. E. Pustejovsky, E.
    Tipton, Journal of Business & Economic Statistics 36(4), 2018), with independent rows of equal variance as working
    model.

    With J = KKᵀ: basis (p, p) = K⁻ᵀ; share (C, p, p) = K⁻¹J_gK⁻ᵀ, what each cluster holds of the information; scores
    (C, p) = K⁻¹s_g. Under the working model a cluster's scores have covariance G − G² at the estimate, and G at the
    truth, G its share: (I − G)^(−½) makes up for that. For least squares this is the usual (I − H_gg)^(−½) on the
    residuals, without matrices as large as a cluster.
    """

    basis: FloatArray
    share: FloatArray
    scores: FloatArray

    @classmethod
    def of(cls, information: FloatArray, scores: FloatArray) -> Clustered:
        """From the sums within clusters, information (C, p, p) and scores (C, p). Raises LinAlgError where the whole
        has no inverse."""
        inverse = np.linalg.inv(np.linalg.cholesky(information.sum(axis=0)))
        return cls(inverse.T, inverse @ information @ inverse.T, scores @ inverse.T)

    def estimates(self, value: FloatArray, contrasts: FloatArray) -> Estimates:
        """value (k,) = contrasts (k, p) of the parameters, with standard error and Satterthwaite's degrees of freedom
        (Σλ)²/Σλ².

        λ: eigenvalues of the matrix Ω of the clusters' working covariances, Ω_gh = δ_gh·a_g − r_g·r_h.
        """
        wanted = contrasts @ self.basis
        remains, vectors = np.linalg.eigh(np.eye(len(self.basis)) - self.share)
        with np.errstate(divide="ignore"):
            stretch = np.where(remains > _ALONE, 1.0 / np.sqrt(np.maximum(remains, 0.0)), 0.0)
        q = np.einsum("gij,gj,glj,kl->gki", vectors, stretch, vectors, wanted, optimize=True)
        r = np.einsum("gij,gkj->gki", self.share, q)
        a, own = (q * r).sum(axis=-1), (r**2).sum(axis=-1)
        mixed = np.einsum("gki,gkj->kij", r, r)
        trace = (a - own).sum(axis=0)
        square = (a**2 - 2.0 * a * own).sum(axis=0) + (mixed**2).sum(axis=(1, 2))
        variance = (np.einsum("gki,gi->gk", q, self.scores) ** 2).sum(axis=0)
        # where one cluster holds all that is known in some direction, the sandwich has no variance for it
        whole = trace > (1.0 - _LOST) * (wanted**2).sum(axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            df = np.where(whole, trace**2 / square, 0.0)
        return Estimates(np.asarray(value, np.float64), np.sqrt(variance), df)
