"""Weights of complaints fitted by scipy, to hold `fault_odds::complaint` against.

The jobs are drawn here, seeded. The penalised likelihood is maximised by scipy's BFGS, the penalties are updated as the doc comment of
analytics/estimators/src/fault_odds/complaint.rs says.

    python fault_odds_complaint.py > fault_odds_complaint.json        # needs requirements.txt
"""

import json

import numpy as np
import scipy
from scipy.optimize import minimize
from scipy.special import log_softmax, softmax

COMPONENTS, FEATURES, JOBS = 3, 4, 200
rng = np.random.default_rng(20)

offset = np.round(rng.normal(0, 0.5, (JOBS, COMPONENTS)), 3)
said = rng.random((JOBS, FEATURES)) < [0.5, 0.4, 0.1, 0.6]
said[:, 1] |= said[:, 0] & (rng.random(JOBS) < 0.8)  # comes with the first
true = np.array([[1.5, 0.0, -0.5], [0.5, 0.5, -1.0], [-1.0, 0.0, 2.0], [0.0, 0.0, 0.0]])
fault = np.array([rng.choice(COMPONENTS, p=p) for p in softmax(offset + said @ true, axis=1)])

table = np.hstack([said, np.ones((JOBS, 1))]).astype(float)
hits = np.eye(COMPONENTS)[fault]


def fit(penalties):
    penalties = np.append(penalties, 1.0)[:, None]

    def loss(flat):
        weights = flat.reshape(FEATURES + 1, COMPONENTS)
        log_p = log_softmax(offset + table @ weights, axis=1)
        value = -(hits * log_p).sum() + (penalties * weights**2).sum() / 2
        return value, (table.T @ (np.exp(log_p) - hits) + penalties * weights).ravel()

    found = minimize(loss, np.zeros((FEATURES + 1) * COMPONENTS), jac=True, method="BFGS", options={"gtol": 1e-9})
    return found.x.reshape(FEATURES + 1, COMPONENTS)


def variances(weights, penalties):
    p = softmax(offset + table @ weights, axis=1)
    return 1 / (table.T @ (p * (1 - p)) + np.append(penalties, 1.0)[:, None])


penalties = np.ones(FEATURES)
for _ in range(4):
    weights = fit(penalties)
    size = (weights**2 + variances(weights, penalties))[:FEATURES].sum(axis=1)
    penalties = np.clip(COMPONENTS * 1.1 / (size + 0.1 * COMPONENTS), 0.01, 10_000)
weights = fit(penalties)
print(
    json.dumps(
        {
            "scipy": scipy.__version__,
            "jobs": [
                {"offset": o.tolist(), "features": np.flatnonzero(s).tolist(), "fault": int(f)} for o, s, f in zip(offset, said, fault)
            ],
            "weights": weights.tolist(),
            "variances": variances(weights, penalties).tolist(),
        }
    )
)
