//! Two groups compared, crude and within strata, for example sealed against bolted drums within age bands.
//!
//! In stratum `i`: `a` of `n1` exposed and `c` of `n0` reference trials had the event, `N = n1 + n0`, `b = n1 - a`, `d = n0 - c`;
//! for rates `T1` and `T0` are the exposures and `T = T1 + T0`.
//!
//! * **Crude**, interval on the scale of logarithms with variance:
//!   risk ratio `1/a - 1/n1 + 1/c - 1/n0` (Katz et al. 1978, Biometrics 34:469), odds ratio `1/a + 1/b + 1/c + 1/d`
//!   (Woolf 1955, Ann. Hum. Genet. 19:251), rate ratio `1/a + 1/c` (Rothman, Greenland & Lash 2008, Modern Epidemiology, ch. 14).
//!   Where that variance does not exist, or is zero, 1/2 is added to every cell (to the events only, for rates), for the estimate
//!   too, and [`Ratio::continuity_corrected`] says so. Haldane 1956 and Anscombe 1956 for odds ratios (Ann. Hum. Genet. 20:309,
//!   Biometrika 43:461); for risk and rate ratios by analogy, common practice.
//! * **Mantel-Haenszel**: risk ratio `sum a n0/N / sum c n1/N`, rate ratio `sum a T0/T / sum c T1/T` (variances: Greenland & Robins
//!   1985, Biometrics 41:55), odds ratio `sum a d/N / sum b c/N` (Mantel & Haenszel 1959, J. Natl. Cancer Inst. 22:719; variance:
//!   Robins, Breslow & Greenland 1986, Biometrics 42:311). Strata without one of the groups say nothing and are passed over. A
//!   pooled ratio of zero or infinity has no interval and is not given.
//! * **Homogeneity**: odds ratio by Breslow & Day 1980, Statistical Methods in Cancer Research I, 4.4, with Tarone's correction
//!   (Tarone 1985, Biometrika 72:91); rate ratio by the same idea given the events of each stratum (Breslow & Day 1987, II, ch. 3);
//!   risk ratio by Cochran's `Q = sum w (ln r - mean)^2`, `w` the inverse variances (Cochran 1954, Biometrics 10:101), with 1/2
//!   added in strata where a logarithm or its variance does not exist. Chi-square with one degree of freedom less than strata used.
//!
//! Assumptions: trials (or events) are independent; pooled ratios assume one ratio for all strata, which the tests question.

use statrs::distribution::{ChiSquared, ContinuousCDF};

use crate::distributions::{normal_cdf, two_sided_z};
use crate::{CannotEstimate, Interval};

/// Events among trials in two groups.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RiskTable {
    pub exposed_events: u64,
    pub exposed_total: u64,
    pub reference_events: u64,
    pub reference_total: u64,
}

/// Events over exposure (machine-years) in two groups.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RateTable {
    pub exposed_events: u64,
    pub exposed_machine_years: f64,
    pub reference_events: u64,
    pub reference_machine_years: f64,
}

/// A crude ratio.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ratio {
    pub interval: Interval,
    /// 1/2 was added to the cells because the interval does not exist without.
    pub continuity_corrected: bool,
}

/// Whether strata agree on one ratio; a small p-value says that they do not.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Homogeneity {
    pub chi_square: f64,
    pub degrees_of_freedom: u64,
    pub p_value: f64,
}

impl Homogeneity {
    /// The same test where units are not independent, so that chance alone gives `factor` times the chi-square (Rao & Scott 1981, J. Am. Stat. Assoc.
    /// 76:221, from memory).
    ///
    /// # Errors
    /// A factor that is not positive and finite.
    pub fn overdispersed(&self, factor: f64) -> Result<Self, CannotEstimate> {
        let chi_square = self.chi_square / factor;
        let distribution = ChiSquared::new(self.degrees_of_freedom as f64).map_err(|_| CannotEstimate::NotFinite)?;
        let p_value = distribution.sf(chi_square);
        if factor > 0.0 && chi_square.is_finite() { Ok(Self { chi_square, p_value, ..*self }) } else { Err(CannotEstimate::NotFinite) }
    }
}

/// Risk of the exposed over risk of the reference.
///
/// # Errors
/// A group without trials, no events at all, more events than trials, a confidence level outside (0, 1).
pub fn risk_ratio(table: &RiskTable, confidence: f64) -> Result<Ratio, CannotEstimate> {
    let cells = table.cells()?.compared()?;
    let (log_ratio, variance, continuity_corrected) = cells.log_risk_ratio();
    Ok(Ratio { interval: log_interval(log_ratio.exp(), variance, confidence)?, continuity_corrected })
}

/// Odds of the exposed over odds of the reference.
///
/// # Errors
/// As [`risk_ratio`]; also if there is nothing but events.
pub fn odds_ratio(table: &RiskTable, confidence: f64) -> Result<Ratio, CannotEstimate> {
    let cells = table.cells()?.compared()?;
    if cells.b + cells.d == 0.0 {
        return Err(CannotEstimate::NoVariation);
    }
    let continuity_corrected = cells.has_zero();
    let Cells { a, b, c, d } = if continuity_corrected { cells.plus_half() } else { cells };
    let variance = 1.0 / a + 1.0 / b + 1.0 / c + 1.0 / d;
    Ok(Ratio { interval: log_interval(a * d / (b * c), variance, confidence)?, continuity_corrected })
}

/// Rate of the exposed over rate of the reference.
///
/// # Errors
/// A group without exposure, no events at all, a confidence level outside (0, 1).
pub fn rate_ratio(table: &RateTable, confidence: f64) -> Result<Ratio, CannotEstimate> {
    let RateCells { a, c, t1, t0 } = table.cells()?;
    if t1 == 0.0 || t0 == 0.0 {
        return Err(CannotEstimate::NoComparison);
    }
    if a + c == 0.0 {
        return Err(CannotEstimate::NoEvents);
    }
    let continuity_corrected = a == 0.0 || c == 0.0;
    let half = if continuity_corrected { 0.5 } else { 0.0 };
    let (a, c) = (a + half, c + half);
    Ok(Ratio { interval: log_interval((a / t1) / (c / t0), 1.0 / a + 1.0 / c, confidence)?, continuity_corrected })
}

/// Two-sided p-value of a ratio against 1, read back from its interval, which is symmetric on the logarithmic scale (Altman & Bland
/// 2011, BMJ 343:d2304).
///
/// # Errors
/// An interval that is not that of a ratio, or has no width.
pub fn ratio_p_value(ratio: &Interval) -> Result<f64, CannotEstimate> {
    let standard_error = (ratio.upper.ln() - ratio.lower.ln()) / (2.0 * two_sided_z(ratio.confidence)?);
    let p = 2.0 * normal_cdf(-(ratio.estimate.ln() / standard_error).abs());
    if p.is_finite() { Ok(p) } else { Err(CannotEstimate::NotFinite) }
}

/// Mantel-Haenszel risk ratio over strata.
///
/// # Errors
/// No stratum with both groups, no events, none in one of the groups, more events than trials, a confidence level outside (0, 1).
pub fn mantel_haenszel_risk_ratio(strata: &[RiskTable], confidence: f64) -> Result<Interval, CannotEstimate> {
    let (mut exposed, mut reference, mut variance) = (0.0, 0.0, 0.0);
    for cells in comparable(strata)? {
        let Cells { a, c, .. } = cells;
        let (n1, n0, n) = (cells.exposed(), cells.reference(), cells.total());
        exposed += a * n0 / n;
        reference += c * n1 / n;
        variance += (n1 * n0 * (a + c) - a * c * n) / (n * n);
    }
    check_events(exposed, reference)?;
    log_interval(exposed / reference, variance / (exposed * reference), confidence)
}

/// Mantel-Haenszel odds ratio over strata.
///
/// # Errors
/// As [`mantel_haenszel_risk_ratio`]; also where every stratum has nothing but events or none.
pub fn mantel_haenszel_odds_ratio(strata: &[RiskTable], confidence: f64) -> Result<Interval, CannotEstimate> {
    let (mut r, mut s, mut pr, mut ps_qr, mut qs) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for cells in comparable(strata)? {
        let (Cells { a, b, c, d }, n) = (cells, cells.total());
        let (p_i, q_i, r_i, s_i) = ((a + d) / n, (b + c) / n, a * d / n, b * c / n);
        r += r_i;
        s += s_i;
        pr += p_i * r_i;
        ps_qr += p_i * s_i + q_i * r_i;
        qs += q_i * s_i;
    }
    if r + s == 0.0 && strata.iter().any(|table| table.exposed_events + table.reference_events > 0) {
        return Err(CannotEstimate::NoVariation);
    }
    check_events(r, s)?;
    log_interval(r / s, pr / (2.0 * r * r) + ps_qr / (2.0 * r * s) + qs / (2.0 * s * s), confidence)
}

/// Mantel-Haenszel rate ratio over strata.
///
/// # Errors
/// No stratum with both exposures, no events, none in one of the groups, a confidence level outside (0, 1).
pub fn mantel_haenszel_rate_ratio(strata: &[RateTable], confidence: f64) -> Result<Interval, CannotEstimate> {
    let (mut exposed, mut reference, mut variance) = (0.0, 0.0, 0.0);
    for RateCells { a, c, t1, t0 } in comparable_rates(strata)? {
        let t = t1 + t0;
        exposed += a * t0 / t;
        reference += c * t1 / t;
        variance += (a + c) * (t1 / t) * (t0 / t);
    }
    check_events(exposed, reference)?;
    log_interval(exposed / reference, variance / (exposed * reference), confidence)
}

/// Breslow-Day test that all strata share one odds ratio, the Mantel-Haenszel one; `tarone` corrects for its being an estimate.
///
/// # Errors
/// As [`mantel_haenszel_odds_ratio`]; fewer than two strata with both groups, events and others.
pub fn breslow_day(strata: &[RiskTable], tarone: bool) -> Result<Homogeneity, CannotEstimate> {
    let odds_ratio = mantel_haenszel_odds_ratio(strata, crate::CONFIDENCE)?.estimate;
    let (mut chi_square, mut excess, mut variance, mut used) = (0.0, 0.0, 0.0, 0);
    for cells in comparable(strata)? {
        let (events, n1, n0) = (cells.a + cells.c, cells.exposed(), cells.reference());
        if events == 0.0 || events == cells.total() {
            continue;
        }
        let a = expected_cell(odds_ratio, events, n1, n0);
        let inverse: f64 = [a, n1 - a, events - a, n0 - events + a].iter().map(|cell| 1.0 / cell).sum();
        chi_square += (cells.a - a).powi(2) * inverse;
        excess += cells.a - a;
        variance += 1.0 / inverse;
        used += 1;
    }
    if tarone && variance > 0.0 {
        chi_square -= excess * excess / variance;
    }
    homogeneity(chi_square, used)
}

/// Cochran's test that all strata share one risk ratio.
///
/// # Errors
/// Fewer than two strata with both groups and events, more events than trials.
pub fn risk_ratio_homogeneity(strata: &[RiskTable]) -> Result<Homogeneity, CannotEstimate> {
    let logs: Vec<(f64, f64)> = comparable(strata)?
        .iter()
        .filter(|cells| cells.a + cells.c > 0.0)
        .map(|cells| {
            let (log_ratio, variance, _) = cells.log_risk_ratio();
            (log_ratio, 1.0 / variance)
        })
        .collect();
    let weight: f64 = logs.iter().map(|(_, w)| w).sum();
    let mean = logs.iter().map(|(log_ratio, w)| w * log_ratio).sum::<f64>() / weight;
    homogeneity(logs.iter().map(|(log_ratio, w)| w * (log_ratio - mean).powi(2)).sum(), logs.len() as u64)
}

/// Test that all strata share one rate ratio `R`, the Mantel-Haenszel one: given its `m` events, stratum `i` expects
/// `m p` among the exposed, `p = R T1 / (R T1 + T0)`, with variance `m p (1 - p)`.
///
/// # Errors
/// As [`mantel_haenszel_rate_ratio`]; fewer than two strata with both exposures and events.
pub fn rate_ratio_homogeneity(strata: &[RateTable]) -> Result<Homogeneity, CannotEstimate> {
    let ratio = mantel_haenszel_rate_ratio(strata, crate::CONFIDENCE)?.estimate;
    let (mut chi_square, mut used) = (0.0, 0);
    for RateCells { a, c, t1, t0 } in comparable_rates(strata)? {
        let events = a + c;
        if events > 0.0 {
            let p = ratio * t1 / (ratio * t1 + t0);
            chi_square += (a - events * p).powi(2) / (events * p * (1.0 - p));
            used += 1;
        }
    }
    homogeneity(chi_square, used)
}

#[derive(Clone, Copy)]
struct Cells {
    a: f64,
    b: f64,
    c: f64,
    d: f64,
}

impl Cells {
    fn exposed(&self) -> f64 {
        self.a + self.b
    }

    fn reference(&self) -> f64 {
        self.c + self.d
    }

    fn total(&self) -> f64 {
        self.exposed() + self.reference()
    }

    fn has_zero(&self) -> bool {
        [self.a, self.b, self.c, self.d].contains(&0.0)
    }

    fn plus_half(self) -> Self {
        Self { a: self.a + 0.5, b: self.b + 0.5, c: self.c + 0.5, d: self.d + 0.5 }
    }

    fn compared(self) -> Result<Self, CannotEstimate> {
        if self.exposed() == 0.0 || self.reference() == 0.0 {
            Err(CannotEstimate::NoComparison)
        } else if self.a + self.c == 0.0 {
            Err(CannotEstimate::NoEvents)
        } else {
            Ok(self)
        }
    }

    /// Log risk ratio, its variance, and whether 1/2 was added to the cells.
    fn log_risk_ratio(self) -> (f64, f64, bool) {
        let corrected = self.a == 0.0 || self.c == 0.0 || self.b + self.d == 0.0;
        let cells = if corrected { self.plus_half() } else { self };
        let (n1, n0) = (cells.exposed(), cells.reference());
        let variance = 1.0 / cells.a - 1.0 / n1 + 1.0 / cells.c - 1.0 / n0;
        (((cells.a / n1) / (cells.c / n0)).ln(), variance, corrected)
    }
}

impl RiskTable {
    fn cells(&self) -> Result<Cells, CannotEstimate> {
        if self.exposed_events > self.exposed_total || self.reference_events > self.reference_total {
            return Err(CannotEstimate::InvalidInput(format!("more events than trials: {self:?}")));
        }
        Ok(Cells {
            a: self.exposed_events as f64,
            b: (self.exposed_total - self.exposed_events) as f64,
            c: self.reference_events as f64,
            d: (self.reference_total - self.reference_events) as f64,
        })
    }
}

struct RateCells {
    a: f64,
    c: f64,
    t1: f64,
    t0: f64,
}

impl RateTable {
    fn cells(&self) -> Result<RateCells, CannotEstimate> {
        let (t1, t0) = (self.exposed_machine_years, self.reference_machine_years);
        let possible = |events: u64, years: f64| years.is_finite() && (years > 0.0 || years == 0.0 && events == 0);
        if possible(self.exposed_events, t1) && possible(self.reference_events, t0) {
            Ok(RateCells { a: self.exposed_events as f64, c: self.reference_events as f64, t1, t0 })
        } else {
            Err(CannotEstimate::InvalidInput(format!("exposure must be positive where there are events: {self:?}")))
        }
    }
}

/// Strata with both groups.
fn comparable(strata: &[RiskTable]) -> Result<Vec<Cells>, CannotEstimate> {
    let mut cells = strata.iter().map(RiskTable::cells).collect::<Result<Vec<_>, _>>()?;
    cells.retain(|cells| cells.exposed() > 0.0 && cells.reference() > 0.0);
    if cells.is_empty() { Err(CannotEstimate::NoComparison) } else { Ok(cells) }
}

/// Strata with both exposures.
fn comparable_rates(strata: &[RateTable]) -> Result<Vec<RateCells>, CannotEstimate> {
    let mut cells = strata.iter().map(RateTable::cells).collect::<Result<Vec<_>, _>>()?;
    cells.retain(|cells| cells.t1 > 0.0 && cells.t0 > 0.0);
    if cells.is_empty() { Err(CannotEstimate::NoComparison) } else { Ok(cells) }
}

fn check_events(exposed: f64, reference: f64) -> Result<(), CannotEstimate> {
    if exposed == 0.0 && reference == 0.0 {
        Err(CannotEstimate::NoEvents)
    } else if exposed == 0.0 || reference == 0.0 {
        Err(CannotEstimate::TooFewEvents { found: 0, needed: 1 })
    } else {
        Ok(())
    }
}

/// The exposed events that have this odds ratio with the margins `events`, `n1`, `n0`: the root of
/// `a (n0 - events + a) = odds_ratio (events - a) (n1 - a)` that leaves no cell negative, in the form that also holds at an odds ratio of 1.
fn expected_cell(odds_ratio: f64, events: f64, n1: f64, n0: f64) -> f64 {
    let square = 1.0 - odds_ratio;
    let linear = n0 - events + odds_ratio * (events + n1);
    let constant = -odds_ratio * events * n1;
    let root = (linear * linear - 4.0 * square * constant).max(0.0).sqrt();
    -2.0 * constant / (linear + root)
}

fn log_interval(ratio: f64, variance_of_log: f64, confidence: f64) -> Result<Interval, CannotEstimate> {
    let factor = (two_sided_z(confidence)? * variance_of_log.max(0.0).sqrt()).exp();
    Interval::new(ratio, ratio / factor, ratio * factor, confidence)
}

fn homogeneity(chi_square: f64, strata: u64) -> Result<Homogeneity, CannotEstimate> {
    if strata < 2 {
        return Err(CannotEstimate::TooFewObservations { found: strata as usize, needed: 2 });
    }
    if !chi_square.is_finite() {
        return Err(CannotEstimate::NotFinite);
    }
    let (chi_square, degrees_of_freedom) = (chi_square.max(0.0), strata - 1);
    let distribution = ChiSquared::new(degrees_of_freedom as f64).map_err(|_| CannotEstimate::NotFinite)?;
    Ok(Homogeneity { chi_square, degrees_of_freedom, p_value: distribution.sf(chi_square) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::CONFIDENCE;

    const fn risk(exposed_events: u64, exposed_total: u64, reference_events: u64, reference_total: u64) -> RiskTable {
        RiskTable { exposed_events, exposed_total, reference_events, reference_total }
    }

    const fn rate(exposed_events: u64, exposed_machine_years: f64, reference_events: u64, reference_machine_years: f64) -> RateTable {
        RateTable { exposed_events, exposed_machine_years, reference_events, reference_machine_years }
    }

    fn close(found: f64, expected: f64) {
        assert!((found - expected).abs() < 1e-9, "{found} is not {expected}");
    }

    /// The estimate and the variance of its logarithm, read back from both bounds.
    fn check(interval: Interval, estimate: f64, variance_of_log: f64) {
        let z = two_sided_z(interval.confidence).unwrap();
        close(interval.estimate, estimate);
        close(((interval.upper / interval.estimate).ln() / z).powi(2), variance_of_log);
        close(interval.upper * interval.lower, interval.estimate * interval.estimate);
    }

    const TWO_STRATA: [RiskTable; 2] = [risk(2, 4, 1, 4), risk(3, 4, 2, 4)];

    #[test]
    fn crude_ratios_of_two_of_four_against_one_of_four() {
        let table = TWO_STRATA[0];
        check(risk_ratio(&table, CONFIDENCE).unwrap().interval, 2.0, 1.0 / 2.0 - 1.0 / 4.0 + 1.0 - 1.0 / 4.0);
        check(odds_ratio(&table, CONFIDENCE).unwrap().interval, 3.0, 1.0 / 2.0 + 1.0 / 2.0 + 1.0 + 1.0 / 3.0);
        check(rate_ratio(&rate(4, 2.0, 2, 4.0), CONFIDENCE).unwrap().interval, 4.0, 3.0 / 4.0);
    }

    /// Risk ratio (1 + 3/2) / (1/2 + 1) with variance (1/2 + 1/2) / (5/2 * 3/2); odds ratio (6/8 + 6/8) / (2/8 + 2/8) with variance
    /// (60/64) / (9/2) + (56/64) / (3/2) + (12/64) / (1/2).
    #[test]
    fn mantel_haenszel_over_two_strata_by_hand() {
        check(mantel_haenszel_risk_ratio(&TWO_STRATA, CONFIDENCE).unwrap(), 5.0 / 3.0, 4.0 / 15.0);
        check(mantel_haenszel_odds_ratio(&TWO_STRATA, CONFIDENCE).unwrap(), 3.0, 7.0 / 6.0);
        // (2 * 3/4 + 1 * 1/2) / (1 * 1/4 + 1 * 1/2) = 8/3, variance (3 * 3/16 + 2 * 1/4) / (2 * 3/4).
        let strata = [rate(2, 1.0, 1, 3.0), rate(1, 2.0, 1, 2.0)];
        check(mantel_haenszel_rate_ratio(&strata, CONFIDENCE).unwrap(), 8.0 / 3.0, 17.0 / 24.0);
    }

    #[test]
    fn one_stratum_pools_to_the_crude_ratio() {
        let table = risk(7, 20, 3, 25);
        let interval = risk_ratio(&table, CONFIDENCE).unwrap().interval;
        check(
            mantel_haenszel_risk_ratio(&[table], CONFIDENCE).unwrap(),
            interval.estimate,
            1.0 / 7.0 - 1.0 / 20.0 + 1.0 / 3.0 - 1.0 / 25.0,
        );
        let interval = odds_ratio(&table, CONFIDENCE).unwrap().interval;
        check(
            mantel_haenszel_odds_ratio(&[table], CONFIDENCE).unwrap(),
            interval.estimate,
            1.0 / 7.0 + 1.0 / 13.0 + 1.0 / 3.0 + 1.0 / 22.0,
        );
        check(mantel_haenszel_rate_ratio(&[rate(7, 20.0, 3, 25.0)], CONFIDENCE).unwrap(), 7.0 * 25.0 / 60.0, 1.0 / 7.0 + 1.0 / 3.0);
    }

    #[test]
    fn strata_with_one_ratio_are_homogeneous() {
        for tarone in [false, true] {
            let test = breslow_day(&TWO_STRATA, tarone).unwrap();
            close(test.chi_square, 0.0);
            close(test.p_value, 1.0);
            assert_eq!(test.degrees_of_freedom, 1);
        }
        close(rate_ratio_homogeneity(&[rate(2, 1.0, 1, 1.0), rate(4, 1.0, 2, 1.0)]).unwrap().chi_square, 0.0);
        close(risk_ratio_homogeneity(&[risk(2, 4, 1, 4), risk(2, 8, 1, 8)]).unwrap().chi_square, 0.0);
    }

    /// Two strata that mirror each other pool to 1. Odds: 2 expected, variance 1/2, so twice 1/(1/2). Rates: variance 4 * 1/4.
    /// Risks: logarithms ln 3 and -ln 3 with variance 1/3 - 1/4 + 1 - 1/4 = 5/6.
    #[test]
    fn mirrored_strata_are_not_homogeneous() {
        let strata = [risk(3, 4, 1, 4), risk(1, 4, 3, 4)];
        close(breslow_day(&strata, false).unwrap().chi_square, 4.0);
        close(breslow_day(&strata, true).unwrap().chi_square, 4.0);
        close(risk_ratio_homogeneity(&strata).unwrap().chi_square, 2.0 * 3f64.ln().powi(2) * 6.0 / 5.0);
        close(rate_ratio_homogeneity(&[rate(3, 1.0, 1, 1.0), rate(1, 1.0, 3, 1.0)]).unwrap().chi_square, 2.0);
    }

    #[test]
    fn strata_that_cannot_compare_or_have_no_events_change_nothing() {
        let mut padded = TWO_STRATA.to_vec();
        padded.extend([risk(5, 9, 0, 0), risk(0, 0, 2, 3), risk(0, 6, 0, 2)]);
        assert_eq!(mantel_haenszel_odds_ratio(&padded, CONFIDENCE), mantel_haenszel_odds_ratio(&TWO_STRATA, CONFIDENCE));
        assert_eq!(mantel_haenszel_risk_ratio(&padded, CONFIDENCE), mantel_haenszel_risk_ratio(&TWO_STRATA, CONFIDENCE));
        assert_eq!(breslow_day(&padded, true), breslow_day(&TWO_STRATA, true));
        assert_eq!(risk_ratio_homogeneity(&padded), risk_ratio_homogeneity(&TWO_STRATA));
    }

    /// 0 of 4 against 2 of 4 becomes (1/2)/5 against (5/2)/5; without exposed events the rate takes 1/2.
    #[test]
    fn zero_cells_are_corrected_and_say_so() {
        let ratio = risk_ratio(&risk(0, 4, 2, 4), CONFIDENCE).unwrap();
        assert!(ratio.continuity_corrected);
        check(ratio.interval, 1.0 / 5.0, 2.0 - 1.0 / 5.0 + 2.0 / 5.0 - 1.0 / 5.0);
        let ratio = odds_ratio(&risk(0, 4, 2, 4), CONFIDENCE).unwrap();
        assert!(ratio.continuity_corrected);
        check(ratio.interval, 1.0 / 9.0, 2.0 + 2.0 / 9.0 + 2.0 / 5.0 + 2.0 / 5.0);
        let ratio = rate_ratio(&rate(0, 1.0, 1, 1.0), CONFIDENCE).unwrap();
        assert!(ratio.continuity_corrected);
        check(ratio.interval, 1.0 / 3.0, 2.0 + 2.0 / 3.0);
        assert!(risk_ratio(&risk(4, 4, 3, 3), CONFIDENCE).unwrap().continuity_corrected);
        assert!(!risk_ratio(&risk(4, 4, 2, 3), CONFIDENCE).unwrap().continuity_corrected);
    }

    #[test]
    fn what_cannot_be_compared_says_why() {
        use CannotEstimate::*;
        assert_eq!(risk_ratio(&risk(1, 2, 0, 0), CONFIDENCE), Err(NoComparison));
        assert_eq!(odds_ratio(&risk(0, 2, 0, 3), CONFIDENCE), Err(NoEvents));
        assert_eq!(odds_ratio(&risk(2, 2, 3, 3), CONFIDENCE), Err(NoVariation));
        assert_eq!(rate_ratio(&rate(1, 2.0, 0, 0.0), CONFIDENCE), Err(NoComparison));
        assert_eq!(rate_ratio(&rate(0, 2.0, 0, 1.0), CONFIDENCE), Err(NoEvents));
        assert!(matches!(rate_ratio(&rate(1, 0.0, 0, 1.0), CONFIDENCE), Err(InvalidInput(_))));
        assert!(matches!(rate_ratio(&rate(1, f64::NAN, 0, 1.0), CONFIDENCE), Err(InvalidInput(_))));
        assert!(matches!(risk_ratio(&risk(3, 2, 1, 2), CONFIDENCE), Err(InvalidInput(_))));
        assert_eq!(mantel_haenszel_risk_ratio(&[], CONFIDENCE), Err(NoComparison));
        assert_eq!(mantel_haenszel_risk_ratio(&[risk(0, 2, 0, 2)], CONFIDENCE), Err(NoEvents));
        assert_eq!(mantel_haenszel_risk_ratio(&[risk(0, 2, 1, 2)], CONFIDENCE), Err(TooFewEvents { found: 0, needed: 1 }));
        assert_eq!(mantel_haenszel_odds_ratio(&[risk(2, 2, 2, 2)], CONFIDENCE), Err(NoVariation));
        assert_eq!(mantel_haenszel_rate_ratio(&[rate(0, 2.0, 1, 2.0)], CONFIDENCE), Err(TooFewEvents { found: 0, needed: 1 }));
        assert_eq!(breslow_day(&TWO_STRATA[..1], true), Err(TooFewObservations { found: 1, needed: 2 }));
        assert_eq!(risk_ratio_homogeneity(&[risk(0, 2, 0, 2)]), Err(TooFewObservations { found: 0, needed: 2 }));
        assert_eq!(rate_ratio_homogeneity(&[rate(1, 1.0, 1, 1.0)]), Err(TooFewObservations { found: 1, needed: 2 }));
    }

    /// Every table with up to three trials a group: finite or a reason.
    #[test]
    fn no_small_table_gives_a_number_that_is_not_finite() {
        let mut tables = Vec::new();
        for n1 in 0..=3 {
            for n0 in 0..=3 {
                tables.extend((0..=n1).flat_map(|a| (0..=n0).map(move |c| risk(a, n1, c, n0))));
            }
        }
        for first in &tables {
            for ratio in [risk_ratio(first, CONFIDENCE), odds_ratio(first, CONFIDENCE)].into_iter().flatten() {
                assert!(ratio.interval.lower > 0.0 && ratio.interval.upper > ratio.interval.lower, "{first:?}");
            }
            for second in &tables {
                let strata = [*first, *second];
                let tests = [breslow_day(&strata, false), breslow_day(&strata, true), risk_ratio_homogeneity(&strata)];
                for test in tests.into_iter().flatten() {
                    assert!(test.chi_square >= 0.0 && (0.0..=1.0).contains(&test.p_value), "{strata:?}");
                }
                let pooled = [mantel_haenszel_risk_ratio(&strata, CONFIDENCE), mantel_haenszel_odds_ratio(&strata, CONFIDENCE)];
                assert!(pooled.into_iter().flatten().all(|interval| interval.lower > 0.0), "{strata:?}");
            }
        }
    }

    /// A ratio of 0.81 (0.70 to 0.94): z = -2.80, p = 0.0051 (the worked example of Altman & Bland 2011, from memory, printed p = 0.005).
    #[test]
    fn p_value_is_read_back_from_an_interval() {
        let p = ratio_p_value(&Interval::new(0.81, 0.70, 0.94, 0.95).unwrap()).unwrap();
        assert!((p - 0.005).abs() < 5e-4, "{p}");
        assert!(ratio_p_value(&Interval::new(2.0, 2.0, 2.0, 0.95).unwrap()).is_ok_and(|p| p == 0.0));
        assert!(ratio_p_value(&Interval::new(0.0, 0.0, 2.0, 0.95).unwrap()).is_err());
    }
}
