"""The resamples of benches/bootstrap.rs with numpy, by counting, and with scikit-learn in a loop.

Called as: bootstrap.py DATA.csv REPLICATES RATE. Times are medians of five runs.
"""

import sys
import time

import numpy as np


def multiplicities(rng, replicates, groups):
    return rng.multinomial(groups, np.full(groups, 1.0 / groups), size=replicates)


def few_groups(score, positive, group, groups, replicates, rate, rng):
    """AUC as a quadratic form in the multiplicities; recall by a vectorized binary search."""
    order = np.argsort(-score, kind="stable")
    score, positive, group = score[order], positive[order], group[order]
    last = np.flatnonzero(np.append(np.diff(score) != 0, True))
    others = np.zeros((len(score), groups), dtype=np.int32)
    found = np.zeros_like(others)
    others[np.flatnonzero(~positive), group[~positive]] = 1
    found[np.flatnonzero(positive), group[positive]] = 1
    others = np.vstack([np.zeros((1, groups)), np.cumsum(others, axis=0)[last]])
    found = np.vstack([np.zeros((1, groups)), np.cumsum(found, axis=0)[last]])
    new = np.diff(found, axis=0)
    ordered = new.T @ (others[-1] - (others[1:] + others[:-1]) / 2.0)
    times = multiplicities(rng, replicates, groups).astype(float)
    p, n = times @ found[-1], times @ others[-1]
    auc = np.einsum("ij,ij->i", times @ ordered, times) / (p * n)
    low, high = np.zeros(replicates, dtype=int), np.full(replicates, len(others))
    while np.any(low + 1 < high):
        middle = (low + high) // 2
        fits = np.einsum("ij,ij->i", others[middle], times) <= rate * n * (1 + 1e-12)
        low, high = np.where(fits, middle, low), np.where(fits, high, middle)
    recall = np.einsum("ij,ij->i", found[low], times) / p
    return auc, recall


def many_groups(score, positive, group, groups, replicates, rate, rng, block=100):
    """Running sums of the resampled others at each positive, block by block."""
    negative_scores = score[~positive]
    by_score = np.argsort(-negative_scores, kind="stable")
    negative_scores, negative_group = negative_scores[by_score], group[~positive][by_score]
    positive_scores, positive_group = score[positive], group[positive]
    above = np.searchsorted(-negative_scores, -positive_scores, side="left")
    at_or_above = np.searchsorted(-negative_scores, -positive_scores, side="right")
    auc, recall = [], []
    for _ in range(0, replicates, block):
        times = multiplicities(rng, block, groups).T.astype(np.int32)
        running = np.zeros((len(negative_scores) + 1, block), dtype=np.int32)
        np.cumsum(times[negative_group], axis=0, out=running[1:])
        weight = times[positive_group]
        n, p = running[-1], weight.sum(axis=0)
        behind = running[above] + running[at_or_above]
        auc.append(1.0 - (weight * behind).sum(axis=0) / 2.0 / (p * n.astype(float)))
        inside = running[at_or_above] <= rate * n * (1 + 1e-12)
        recall.append((weight * inside).sum(axis=0) / p)
    return np.concatenate(auc), np.concatenate(recall)


def in_a_loop(score, positive, group, groups, replicates, rate, rng):
    from sklearn.metrics import roc_auc_score, roc_curve

    members = [np.flatnonzero(group == g) for g in range(groups)]
    for _ in range(replicates):
        rows = np.concatenate([members[g] for g in rng.integers(0, groups, groups)])
        roc_auc_score(positive[rows], score[rows])
        rates, recalls, _ = roc_curve(positive[rows], score[rows])
        recalls[rates <= rate].max()


def main():
    path, replicates, rate = sys.argv[1], int(sys.argv[2]), float(sys.argv[3])
    table = np.loadtxt(path, delimiter=",", skiprows=1)
    score, positive, group = table[:, 0], table[:, 1] > 0.5, table[:, 2].astype(int)
    groups = group.max() + 1
    way = few_groups if groups <= 64 else many_groups
    seconds = []
    for _ in range(5):
        start = time.perf_counter()
        auc, recall = way(
            score, positive, group, groups, replicates, rate, np.random.default_rng(1)
        )
        seconds.append(time.perf_counter() - start)
    print(
        f"{groups} groups, numpy counting: {np.median(seconds):.3f} s, standard deviation of "
        f"AUC {auc.std(ddof=1):.5f}, of recall {recall.std(ddof=1):.5f}"
    )
    try:
        few = 20
        start = time.perf_counter()
        in_a_loop(score, positive, group, groups, few, rate, np.random.default_rng(1))
        spent = (time.perf_counter() - start) * replicates / few
        print(f"{groups} groups, scikit-learn in a loop: {spent:.0f} s (from {few} resamples)")
    except ImportError:
        pass


if __name__ == "__main__":
    main()
