"""Reference values for what a repair business asks: hierarchical means, forecasts of demand, lists under a budget, trends, remaining life.

Writes business.json beside this file, which the Rust test analytics/estimators/tests/business_reference.rs reads.
Each check is {name, source, input, expected}.

Run: pip install -r requirements.txt && python business.py
"""

import json
from pathlib import Path

import numpy as np
import scipy
import statsmodels
import statsmodels.api as sm
from scipy import integrate, optimize, stats

CHECKS = []


def check(name, source, input, expected):
    CHECKS.append({"name": name, "source": source, "input": input, "expected": expected})


# Hierarchical means: the same model as one multivariate normal distribution with an unknown overall mean (best linear unbiased prediction). ----

rng = np.random.default_rng(5)
family = np.array([0, 0, 0, 1, 1, 2, 3, 3, 3, 3])
variance = np.array([2.0, 9.0, 0.5, 4.0, 1.0, 30.0, 3.0, 3.0, 12.0, 0.8])
mean = 25 + rng.normal(0, 4, 4)[family] + rng.normal(0, 2, 10) + rng.normal(0, np.sqrt(variance))
for between_families, between_groups in [(4.0, 1.0), (0.3, 6.0), (50.0, 0.05)]:
    n, k = len(mean), family.max() + 1
    z = np.eye(k)[family]
    inverse = np.linalg.inv(np.diag(variance + between_groups) + between_families * z @ z.T)
    one = np.ones(n)
    centre = one @ inverse @ mean / (one @ inverse @ one)
    blocks = {
        "overall": (np.zeros((1, n)), np.zeros(1)),
        "families": (between_families * z.T, np.full(k, between_families)),
        "groups": (between_groups * np.eye(n) + between_families * z @ z.T, np.full(n, between_groups + between_families)),
    }
    expected = {}
    for block, (cross, own) in blocks.items():
        expected[block] = (centre + cross @ inverse @ (mean - centre)).tolist()
        expected[block + "_variance"] = (own - np.einsum("ij,jk,ik->i", cross, inverse, cross)
                                         + (1 - cross @ inverse @ one) ** 2 / (one @ inverse @ one)).tolist()
    # Restricted likelihood, as far as it depends on the variances.
    design = np.ones((n, 1))
    v = np.diag(variance + between_groups) + between_families * z @ z.T
    vi = np.linalg.inv(v)
    gls = np.linalg.solve(design.T @ vi @ design, design.T @ vi @ mean)
    residual = mean - design @ gls
    reml = -0.5 * (np.linalg.slogdet(v)[1] + np.linalg.slogdet(design.T @ vi @ design)[1] + residual @ vi @ residual)
    expected["log_likelihood"] = [reml]
    check("hierarchical_means", f"numpy {np.__version__}: best linear unbiased prediction with an unknown mean, and the restricted likelihood, by their textbook formulas in matrices",
          {"mean": mean.tolist(), "variance": variance.tolist(), "family": family.tolist(),
           "between_families": between_families, "between_groups": between_groups}, expected)

# Forecasts -------------------------------------------------------------------------------------------------------------------------------

for mean_per_year, var, years in [(3.0, 0.9, 0.05), (0.4, 0.2, 0.02), (60.0, 12.0, 0.25), (12.5, 30.0, 1.0)]:
    rate = mean_per_year / var
    nb = stats.nbinom(mean_per_year * rate, rate / (rate + years))
    counts = [0, 1, 2, 5, 20]
    check("forecast", f"scipy {scipy.__version__} stats.nbinom", {"mean_per_year": mean_per_year, "variance": var, "years": years, "counts": counts},
          {"mean": [nb.mean()], "at_most": nb.cdf(counts).tolist(), "order_up_to": [float(nb.ppf(level)) for level in (0.5, 0.9, 0.95, 0.99)]})

# Lists under a budget: the exact optimum as an integer program ----------------------------------------------------------------------------

for case in range(6):
    prices = rng.integers(3, 60, 12)
    values = np.sort(rng.uniform(0, 1, (12, 3)), axis=1)[:, ::-1].round(4)
    budget = int(rng.integers(60, 200))
    result = optimize.milp(-values.ravel(), integrality=np.ones(36), bounds=optimize.Bounds(0, 1),
                           constraints=optimize.LinearConstraint(np.repeat(prices, 3)[None, :], -np.inf, budget))
    assert result.success
    check("budget", f"scipy {scipy.__version__} optimize.milp", {"prices": prices.tolist(), "values": values.tolist(), "budget": budget},
          {"best": [-result.fun]})

# Trends -----------------------------------------------------------------------------------------------------------------------------------

for factor, size in [(1.0, 40), (1.08, 200), (0.9, 15)]:
    year = np.arange(-9, 1)
    # Cohorts that enter from year to year, so that each age band is seen in several years; an old band without an event.
    cells = [(age, y) for age in range(8) for y in year if (y + age) % 4 != 3]
    age, years = np.array(cells).T
    exposure = np.round(rng.uniform(0.5, 1.5, len(cells)) * size, 2)
    events = rng.poisson(exposure * 0.2 * (1 + 0.2 * age) * factor**years)
    events[age == 7] = 0
    used = age < 7
    design = np.column_stack([years[used], *[(age[used] == band).astype(float) for band in range(7)]])
    fit = sm.GLM(events[used], design, family=sm.families.Poisson(), offset=np.log(exposure[used])).fit(tol=1e-14, maxiter=200)
    dispersion = fit.pearson_chi2 / fit.df_resid
    error = fit.bse[0] * np.sqrt(max(1.0, dispersion))
    law = stats.t(fit.df_resid) if dispersion > 1 else stats.norm
    check("rate_trend", f"statsmodels {statsmodels.__version__} GLM(Poisson, offset) on age band and year, scale Pearson X2 where above 1",
          {"age_band": age.tolist(), "year": years.tolist(), "events": events.tolist(), "exposure": exposure.tolist()},
          {"estimate": [np.exp(fit.params[0])], "lower": [np.exp(fit.params[0] - law.ppf(0.975) * error)],
           "upper": [np.exp(fit.params[0] + law.ppf(0.975) * error)], "p_value": [2 * law.sf(abs(fit.params[0] / error))]})
    means = 100 * factor**year * rng.normal(1, 0.03, 10)
    errors = rng.uniform(1, 4, 10)
    wls = sm.WLS(np.log(means), sm.add_constant(year.astype(float)), weights=(means / errors) ** 2).fit()
    error = wls.bse[1] / np.sqrt(wls.scale) * np.sqrt(max(1.0, wls.scale))
    check("mean_trend", f"statsmodels {statsmodels.__version__} WLS, scale where above 1",
          {"year": year.tolist(), "mean": means.tolist(), "standard_error": errors.tolist()},
          {"estimate": [np.exp(wls.params[1])], "lower": [np.exp(wls.params[1] - stats.norm.ppf(0.975) * error)],
           "upper": [np.exp(wls.params[1] + stats.norm.ppf(0.975) * error)], "p_value": [2 * stats.norm.sf(abs(wls.params[1] / error))]})

# Remaining life: the fitted Weibull distribution's mean beyond an age, by numerical integration of its survival function ------------------

nist = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386]
def negative(p):
    shape, scale = np.exp(p)
    return -(stats.weibull_min.logpdf(nist, shape, scale=scale).sum() + 10 * stats.weibull_min.logsf(500, shape, scale=scale))
best = optimize.minimize(negative, [0.5, 6.4], method="Nelder-Mead", options={"xatol": 1e-12, "fatol": 1e-13, "maxiter": 10000})
shape, scale = np.exp(best.x)
for age in [1.0, 100.0, 400.0, 900.0]:
    area, _ = integrate.quad(lambda u: stats.weibull_min.sf(u, shape, scale=scale), age, 20 * scale, epsabs=1e-10, limit=500)
    check("mean_residual_life", f"scipy {scipy.__version__}: fit of the NIST/SEMATECH e-Handbook 8.4.1.3 data, integrate.quad of its survival function",
          {"events": nist, "censored": [500] * 10, "age": age}, {"estimate": [area / stats.weibull_min.sf(age, shape, scale=scale)]})

# Rates of groups that are known only because they had events: the zero-truncated negative binomial likelihood, by a general optimiser. -----------------------

for case, (mean, dispersion, groups) in enumerate([(0.4, 2.0, 300), (2.0, 0.5, 120), (0.15, 4.0, 800)]):
    exposure = rng.choice([1.0, 3.0], groups)
    counts = rng.poisson(rng.gamma(1 / dispersion, dispersion * mean, groups) * exposure)
    counts, exposure = counts[counts > 0], exposure[counts > 0]

    def loss(parameters):
        m, k = np.exp(parameters)
        law = stats.nbinom(1 / k, 1 / (1 + k * m * exposure))
        return -(law.logpmf(counts) - np.log1p(-law.pmf(0))).sum()

    best = min((optimize.minimize(loss, start, method="Nelder-Mead", options={"xatol": 1e-12, "fatol": 1e-14, "maxiter": 20_000, "maxfev": 20_000})
                for start in np.log([[mean, dispersion], [mean * 2, dispersion / 2]])), key=lambda found: found.fun)
    m, k = np.exp(best.x)
    check("seen_rates", f"scipy {scipy.__version__} stats.nbinom, truncated at zero, optimize.minimize", {"events": counts.tolist(), "exposure": exposure.tolist()},
          {"mean": [m], "dispersion": [k]})

path = Path(__file__).with_name("business.json")
path.write_text(json.dumps({"checks": CHECKS}, indent=1) + "\n")
print(f"{len(CHECKS)} checks in {path.name}")
