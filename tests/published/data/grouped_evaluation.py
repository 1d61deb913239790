"""Writes grouped_evaluation.json: leave-one-group-out figures by scikit-learn, for comparison.

Run in this folder: python3 grouped_evaluation.py
"""

import json

import numpy as np
import sklearn
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import (
    average_precision_score,
    balanced_accuracy_score,
    brier_score_loss,
    cohen_kappa_score,
    f1_score,
    log_loss,
    matthews_corrcoef,
    precision_score,
    recall_score,
    roc_auc_score,
)
from sklearn.model_selection import LeaveOneGroupOut
from sklearn.preprocessing import StandardScaler

PREVALENCE, CUT = 0.1, 0.2


def out_of_group(x, y, own, strength, balanced, train, test):
    """Probabilities at the weighted class shares of training; the weights to fit with have mean 1."""
    shares = np.bincount(y[train], own[train]) / own[train].sum()
    weights = own[train] / shares[y[train]] if balanced else own[train]
    weights = weights / weights.mean()
    scaler = StandardScaler().fit(x[train], sample_weight=weights)
    model = LogisticRegression(C=strength, tol=1e-12, max_iter=100000)
    model.fit(scaler.transform(x[train]), y[train], sample_weight=weights)
    p = model.predict_proba(scaler.transform(x[test]))
    if balanced:
        p = p * shares
        p = p / p.sum(axis=1, keepdims=True)
    return p, shares


def case(name, groups, strength, positive, weighted=False, balanced=False):
    rows = [line.strip().split(",") for line in open(name)][1:]
    labels = sorted({row[-1] for row in rows})
    x = np.array([row[:-1] for row in rows], float)
    y = np.array([labels.index(row[-1]) for row in rows])
    group = np.arange(len(y)) % groups
    w = 1.0 + np.arange(len(y)) * 7 % 5 if weighted else np.ones(len(y))
    p, share = np.empty((len(y), len(labels))), np.empty(len(y))
    for train, test in LeaveOneGroupOut().split(x, y, group):
        p[test], shares = out_of_group(x, y, w, strength, balanced, train, test)
        share[test] = shares[positive]
    truth = y == positive
    odds = p[:, positive] / (1 - p[:, positive]) * (1 - share) / share * PREVALENCE / (1 - PREVALENCE)
    field = odds / (1 + odds)
    walks = field >= CUT
    by = {"sample_weight": w}
    return {
        "data": name,
        "groups": groups,
        "strength": strength,
        "positive": labels[positive],
        "weights": w.tolist(),
        "balanced": balanced,
        "prevalence": PREVALENCE,
        "cut": CUT,
        "log_loss_by_group": [
            log_loss(y[group == g], p[group == g], labels=range(3), sample_weight=w[group == g])
            for g in range(groups)
        ],
        "log_loss_classes": log_loss(y, p, **by),
        "log_loss": log_loss(truth, p[:, positive], **by),
        "brier": brier_score_loss(truth, p[:, positive], **by),
        "auc": roc_auc_score(truth, field, **by),
        "partial_auc": roc_auc_score(truth, field, max_fpr=0.1, **by),
        "average_precision": average_precision_score(truth, field, **by),
        "recall": recall_score(truth, walks, **by),
        "precision": precision_score(truth, walks, **by),
        "specificity": recall_score(~truth, ~walks, **by),
        "f1": f1_score(truth, walks, **by),
        "matthews": matthews_corrcoef(truth, walks, **by),
        "kappa": cohen_kappa_score(truth, walks, **by),
        "balanced_accuracy": balanced_accuracy_score(truth, walks, **by),
    }


CASES = [
    case("iris.csv", 10, 1.0, 1),
    case("iris.csv", 6, 0.05, 2),
    case("wine.csv", 8, 0.01, 1),
    case("iris.csv", 6, 0.05, 2, weighted=True),
    case("wine.csv", 8, 0.01, 1, weighted=True),
    case("wine.csv", 8, 0.01, 2, balanced=True),
    case("wine.csv", 8, 0.01, 0, weighted=True, balanced=True),
]
MADE = {"made_with": f"scikit-learn {sklearn.__version__}, numpy {np.__version__}", "cases": CASES}
json.dump(MADE, open("grouped_evaluation.json", "w"), indent=1)
