"""The job of benches/evaluation.rs with scikit-learn: leave one site out.

The logistic is tuned over ten strengths inside each fold, each fit started from the one before; the
others are not tuned, which spares them most of the work that ours does. BLAS on one thread, which
is the faster setting for small products.

    evaluation.py PATCHES.csv
"""

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import sys
import time

import numpy as np
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis
from sklearn.ensemble import RandomForestClassifier
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import log_loss, roc_auc_score
from sklearn.neighbors import KNeighborsClassifier
from sklearn.preprocessing import StandardScaler


def left_out(groups):
    for group in np.unique(groups):
        yield np.flatnonzero(groups != group), np.flatnonzero(groups == group)


def scaled(x, train, test):
    scaler = StandardScaler().fit(x[train])
    return scaler.transform(x[train]), scaler.transform(x[test])


def plain(make):
    def fit(x, y, groups, train, test):
        a, b = scaled(x, train, test)
        return make().fit(a, y[train]).predict_proba(b)

    return fit


def tuned_logistic(x, y, groups, train, test):
    strengths = np.logspace(-2, 2, 10)
    loss = np.zeros(len(strengths))
    for inner, held in left_out(groups[train]):
        a, b = scaled(x, train[inner], train[held])
        model = LogisticRegression(warm_start=True, max_iter=1000)
        for i, strength in enumerate(strengths):
            p = model.set_params(C=strength).fit(a, y[train[inner]]).predict_proba(b)
            loss[i] += log_loss(y[train[held]], p, labels=range(p.shape[1])) * len(held)
    a, b = scaled(x, train, test)
    best = LogisticRegression(C=strengths[loss.argmin()], max_iter=1000)
    return best.fit(a, y[train]).predict_proba(b)


JOBS = {
    "discriminant, linear": plain(LinearDiscriminantAnalysis),
    "neighbours, 25": plain(lambda: KNeighborsClassifier(25, n_jobs=2)),
    "logistic, linear, nested grid": tuned_logistic,
    "forest of 200 trees": plain(lambda: RandomForestClassifier(200, random_state=1, n_jobs=2)),
}


def main():
    table = np.loadtxt(sys.argv[1], delimiter=",", skiprows=1)
    y, groups, x = table[:, 0].astype(int), table[:, 1].astype(int), table[:, 2:]
    total = 0.0
    for name, job in JOBS.items():
        wall, used = time.perf_counter(), os.times().user
        p = np.zeros((len(y), y.max() + 1))
        for train, test in left_out(groups):
            p[test] = job(x, y, groups, train, test)
        wall, used = time.perf_counter() - wall, os.times().user - used
        total += wall
        print(
            f"  peer, {name}: wall {wall:.2f} s, processor {used:.2f} s, "
            f"AUC {roc_auc_score(y == 0, p[:, 0]):.4f}",
            flush=True,
        )
    print(f"  peer, together: {total:.1f} s")


if __name__ == "__main__":
    main()
