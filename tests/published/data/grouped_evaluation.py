"""Writes grouped_evaluation.json: leave-one-group-out figures by scikit-learn, for comparison.

Run in this folder: python3 grouped_evaluation.py
"""

import json

import numpy as np
import sklearn
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import (
    average_precision_score,
    brier_score_loss,
    log_loss,
    matthews_corrcoef,
    precision_score,
    recall_score,
    roc_auc_score,
)
from sklearn.model_selection import LeaveOneGroupOut, cross_val_predict
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

PREVALENCE, CUT = 0.1, 0.2


def case(name, groups, strength, positive):
    rows = [line.strip().split(",") for line in open(name)][1:]
    labels = sorted({row[-1] for row in rows})
    x = np.array([row[:-1] for row in rows], float)
    y = np.array([labels.index(row[-1]) for row in rows])
    group = np.arange(len(y)) % groups
    model = make_pipeline(
        StandardScaler(), LogisticRegression(C=strength, tol=1e-12, max_iter=100000)
    )
    folds = LeaveOneGroupOut()
    p = cross_val_predict(model, x, y, groups=group, cv=folds, method="predict_proba")
    truth = y == positive
    share = np.empty(len(y))
    for train, test in folds.split(x, y, group):
        share[test] = truth[train].mean()
    odds = p[:, positive] / (1 - p[:, positive]) * (1 - share) / share * PREVALENCE / (1 - PREVALENCE)
    field = odds / (1 + odds)
    walks = field >= CUT
    return {
        "data": name,
        "groups": groups,
        "strength": strength,
        "positive": labels[positive],
        "prevalence": PREVALENCE,
        "cut": CUT,
        "log_loss_by_group": [log_loss(y[group == g], p[group == g], labels=range(3)) for g in range(groups)],
        "log_loss_classes": log_loss(y, p),
        "log_loss": log_loss(truth, p[:, positive]),
        "brier": brier_score_loss(truth, p[:, positive]),
        "auc": roc_auc_score(truth, field),
        "average_precision": average_precision_score(truth, field),
        "recall": recall_score(truth, walks),
        "precision": precision_score(truth, walks),
        "matthews": matthews_corrcoef(truth, walks),
    }


CASES = [case("iris.csv", 10, 1.0, 1), case("iris.csv", 6, 0.05, 2), case("wine.csv", 8, 0.01, 1)]
MADE = {"made_with": f"scikit-learn {sklearn.__version__}, numpy {np.__version__}", "cases": CASES}
json.dump(MADE, open("grouped_evaluation.json", "w"), indent=1)
