//! Shares: how often an event happens per trial, for example condemned machines per job.
//!
//! * **Wilson score**: the shares `p` with `|x/n - p| <= z sqrt(p (1 - p) / n)`, solved for `p`.
//!   Wilson 1927, J. Am. Stat. Assoc. 22:209; recommended by Newcombe 1998, Stat. Med. 17:857 (method 3).
//! * **Clopper-Pearson**: `lower = Beta(x, n - x + 1)` quantile at `a/2`, `upper = Beta(x + 1, n - x)` quantile at `1 - a/2`.
//!   Clopper & Pearson 1934, Biometrika 26:404. Never covers less than it says, usually more.
//! * **No events in n trials**: one-sided exact upper bound `1 - a^(1/n)`, about `3/n` at 95 % ("rule of three").
//!   Hanley & Lippman-Hand 1983, JAMA 249:1743.
//! * **Shares of clustered trials** (several jobs on one machine): with cluster totals `e`, `n` and `p = sum e / sum n`, the
//!   variance of the ratio is `v = m/(m-1) * sum (e - p n)^2 / (sum n)^2`, the design effect `d = v / (p (1 - p) / sum n)`, at
//!   least 1, and the Wilson interval is taken with the effective number of trials `sum n / d`.
//!   Kish 1965, Survey Sampling, 8.2; Rao & Scott 1992, Biometrics 48:577.
//! * **Exact test**: twice the smaller tail, at most 1, which rejects at `a` exactly where the Clopper-Pearson interval at
//!   `1 - a` leaves the value out. Fay 2010, Biostatistics 11:373 ("central" test).
//!
//! Assumptions: trials (or clusters) are independent and share one probability.

use statrs::function::beta::checked_beta_reg;

use crate::distributions::{beta_quantile, two_sided_error, two_sided_z};
use crate::{CannotEstimate, Interval};

/// Wilson score interval for `events` among `trials`.
///
/// # Errors
/// No trials, more events than trials, a confidence level outside (0, 1).
pub fn wilson(events: u64, trials: u64, confidence: f64) -> Result<Interval, CannotEstimate> {
    wilson_from_share(share(events, trials)?, trials as f64, confidence)
}

/// Exact (Clopper-Pearson) interval for `events` among `trials`; reaches to 0 without events and to 1 without anything else.
///
/// # Errors
/// As [`wilson`].
pub fn clopper_pearson(events: u64, trials: u64, confidence: f64) -> Result<Interval, CannotEstimate> {
    let estimate = share(events, trials)?;
    let tail = two_sided_error(confidence)? / 2.0;
    let (x, n) = (events as f64, trials as f64);
    let lower = if events == 0 { 0.0 } else { beta_quantile(x, n - x + 1.0, tail)? };
    let upper = if events == trials { 1.0 } else { beta_quantile(x + 1.0, n - x, 1.0 - tail)? };
    Interval::new(estimate, lower, upper, confidence)
}

/// Exact one-sided upper bound of the share when none of `trials` had the event: `1 - (1 - confidence)^(1/trials)`.
///
/// # Errors
/// No trials, a confidence level outside (0, 1).
pub fn upper_bound_without_events(trials: u64, confidence: f64) -> Result<f64, CannotEstimate> {
    let error = two_sided_error(confidence)?;
    if trials == 0 {
        return Err(CannotEstimate::NoObservations);
    }
    Ok(-(error.ln() / trials as f64).exp_m1())
}

/// The rule of three: with no event among `trials`, the share is below about `3 / trials` (95 %, one-sided), at most 1.
///
/// # Errors
/// No trials.
pub fn rule_of_three(trials: u64) -> Result<f64, CannotEstimate> {
    if trials == 0 { Err(CannotEstimate::NoObservations) } else { Ok((3.0 / trials as f64).min(1.0)) }
}

/// Sums over clusters (machines) that a clustered share needs; `e` events among `n` trials in each cluster.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct ClusterSums {
    /// Clusters with at least one trial.
    pub clusters: u64,
    /// Sum of `e`.
    pub events: f64,
    /// Sum of `n`.
    pub trials: f64,
    /// Sum of `e^2`.
    pub events_squared: f64,
    /// Sum of `e n`.
    pub events_times_trials: f64,
    /// Sum of `n^2`.
    pub trials_squared: f64,
}

impl ClusterSums {
    /// Sums up the (events, trials) of each cluster; clusters without trials are left out.
    pub fn from_clusters(clusters: impl IntoIterator<Item = (u64, u64)>) -> Self {
        clusters.into_iter().filter(|&(_, trials)| trials > 0).fold(Self::default(), |sums, (events, trials)| {
            let (e, n) = (events as f64, trials as f64);
            Self {
                clusters: sums.clusters + 1,
                events: sums.events + e,
                trials: sums.trials + n,
                events_squared: sums.events_squared + e * e,
                events_times_trials: sums.events_times_trials + e * n,
                trials_squared: sums.trials_squared + n * n,
            }
        })
    }
}

/// A share of clustered trials.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClusteredShare {
    pub interval: Interval,
    /// How many times larger the variance is than if the trials were independent; at least 1.
    pub design_effect: f64,
    /// Number of independent trials that would be worth as much.
    pub effective_trials: f64,
}

/// Wilson interval for a share whose trials come in clusters, such as jobs on machines.
///
/// Where the variance between clusters cannot be seen (one cluster only, no events, nothing but events), trials of one cluster are
/// taken as wholly alike: the design effect is then `sum n^2 / sum n`, its largest value for a common cluster correlation.
///
/// # Errors
/// No trials, sums that no clusters can have, a confidence level outside (0, 1).
pub fn clustered_wilson(sums: &ClusterSums, confidence: f64) -> Result<ClusteredShare, CannotEstimate> {
    let ClusterSums { clusters, events, trials, events_squared, events_times_trials, trials_squared } = *sums;
    let all = [events, trials, events_squared, events_times_trials, trials_squared];
    if all.iter().any(|sum| !sum.is_finite() || *sum < 0.0) || events > trials || trials > trials_squared {
        return Err(CannotEstimate::InvalidInput(format!("no clusters have these sums: {sums:?}")));
    }
    if clusters == 0 || trials == 0.0 {
        return Err(CannotEstimate::NoObservations);
    }
    let share = events / trials;
    let independent_variance = share * (1.0 - share) / trials;
    let design_effect = if clusters == 1 || independent_variance == 0.0 {
        trials_squared / trials
    } else {
        let m = clusters as f64;
        let squares = events_squared - 2.0 * share * events_times_trials + share * share * trials_squared;
        (m / (m - 1.0) * squares / (trials * trials) / independent_variance).max(1.0)
    };
    let effective_trials = trials / design_effect;
    Ok(ClusteredShare { interval: wilson_from_share(share, effective_trials, confidence)?, design_effect, effective_trials })
}

/// Two-sided exact p-value of `events` among `trials` when the share is `expected_share`: twice the smaller tail, at most 1.
///
/// # Errors
/// No trials, more events than trials, an expected share outside [0, 1].
pub fn binomial_test(events: u64, trials: u64, expected_share: f64) -> Result<f64, CannotEstimate> {
    share(events, trials)?;
    if !(0.0..=1.0).contains(&expected_share) {
        return Err(CannotEstimate::InvalidInput(format!("the expected share must lie between 0 and 1, it is {expected_share}")));
    }
    let (x, n) = (events as f64, trials as f64);
    let tail = |from: f64, share: f64| checked_beta_reg(from, n - from + 1.0, share).map_err(|_| CannotEstimate::NotFinite);
    let at_least = if events == 0 { 1.0 } else { tail(x, expected_share)? };
    let at_most = if events == trials { 1.0 } else { tail(n - x, 1.0 - expected_share)? };
    Ok((2.0 * at_least.min(at_most)).clamp(0.0, 1.0))
}

fn share(events: u64, trials: u64) -> Result<f64, CannotEstimate> {
    if trials == 0 {
        Err(CannotEstimate::NoObservations)
    } else if events > trials {
        Err(CannotEstimate::InvalidInput(format!("{events} events among {trials} trials")))
    } else {
        Ok(events as f64 / trials as f64)
    }
}

/// Wilson interval of a share that is worth so many independent trials, a number that need not be whole.
///
/// # Errors
/// A confidence level outside (0, 1).
pub fn wilson_from_share(share: f64, trials: f64, confidence: f64) -> Result<Interval, CannotEstimate> {
    let z = two_sided_z(confidence)?;
    let z_squared_per_trial = z * z / trials;
    let shrink = 1.0 + z_squared_per_trial;
    let centre = (share + z_squared_per_trial / 2.0) / shrink;
    let half_width = (share * (1.0 - share) * z_squared_per_trial + z_squared_per_trial * z_squared_per_trial / 4.0).sqrt() / shrink;
    let lower = if share == 0.0 { 0.0 } else { (centre - half_width).max(0.0) };
    let upper = if share == 1.0 { 1.0 } else { (centre + half_width).min(1.0) };
    Interval::new(share, lower, upper, confidence)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::CONFIDENCE;

    fn close(found: f64, expected: f64) {
        assert!((found - expected).abs() < 1e-10, "{found} is not {expected}");
    }

    /// With z = 2 the bounds are fractions: 1 event in 4 gives (1/4 + 4/8)/2 -/+ 2/2 sqrt(3/64 + 4/64) = 3/8 -/+ sqrt(7)/8.
    #[test]
    fn wilson_on_one_event_in_four_trials() {
        let interval = wilson(1, 4, 2.0 * crate::distributions::normal_cdf(2.0) - 1.0).unwrap();
        close(interval.estimate, 1.0 / 4.0);
        close(interval.lower, 3.0 / 8.0 - 7f64.sqrt() / 8.0);
        close(interval.upper, 3.0 / 8.0 + 7f64.sqrt() / 8.0);
    }

    /// With one trial the exact bounds are the tail itself; without events the upper bound solves (1 - p)^n = a/2.
    #[test]
    fn clopper_pearson_has_closed_forms_at_the_ends() {
        let one_of_one = clopper_pearson(1, 1, 0.95).unwrap();
        assert_eq!((one_of_one.estimate, one_of_one.upper), (1.0, 1.0));
        close(one_of_one.lower, 1.0 / 40.0);
        let none_of_ten = clopper_pearson(0, 10, 0.95).unwrap();
        assert_eq!((none_of_ten.estimate, none_of_ten.lower), (0.0, 0.0));
        close(none_of_ten.upper, 1.0 - (1f64 / 40.0).powf(0.1));
    }

    #[test]
    fn without_events_there_is_a_one_sided_bound() {
        close(upper_bound_without_events(1, 0.95).unwrap(), 19.0 / 20.0);
        close(upper_bound_without_events(2, 0.75).unwrap(), 1.0 / 2.0);
        close(rule_of_three(60).unwrap(), 1.0 / 20.0);
        close(rule_of_three(2).unwrap(), 1.0);
        assert_eq!(rule_of_three(0), Err(CannotEstimate::NoObservations));
        assert_eq!(upper_bound_without_events(0, 0.95), Err(CannotEstimate::NoObservations));
    }

    /// Machines with 2 of 2, 0 of 2, 1 of 2 and 1 of 2: p = 1/2, residuals 1, -1, 0, 0, v = 4/3 * 2/64 = 1/24, p(1-p)/8 = 1/32.
    #[test]
    fn the_design_effect_of_four_machines_with_two_jobs_each() {
        let sums = ClusterSums::from_clusters([(2, 2), (0, 2), (1, 2), (1, 2), (0, 0)]);
        let share = clustered_wilson(&sums, CONFIDENCE).unwrap();
        close(share.design_effect, 32.0 / 24.0);
        close(share.effective_trials, 6.0);
        assert_eq!(share.interval, wilson(3, 6, CONFIDENCE).unwrap());
    }

    #[test]
    fn single_jobs_on_machines_are_almost_a_plain_wilson() {
        // 3 of 10 machines with one job each: v = 10/9 * p(1-p)/10, so the design effect is 10/9.
        let sums = ClusterSums::from_clusters((0..10).map(|machine| (u64::from(machine < 3), 1)));
        close(clustered_wilson(&sums, CONFIDENCE).unwrap().design_effect, 10.0 / 9.0);
    }

    #[test]
    fn where_clusters_cannot_be_compared_their_trials_count_as_alike() {
        let one_machine = clustered_wilson(&ClusterSums::from_clusters([(2, 5)]), CONFIDENCE).unwrap();
        close(one_machine.effective_trials, 1.0);
        let no_events = clustered_wilson(&ClusterSums::from_clusters([(0, 3), (0, 3), (0, 3)]), CONFIDENCE).unwrap();
        assert_eq!(no_events.interval, wilson(0, 3, CONFIDENCE).unwrap());
        let only_events = clustered_wilson(&ClusterSums::from_clusters([(1, 1), (1, 1)]), CONFIDENCE).unwrap();
        assert_eq!(only_events.interval, wilson(2, 2, CONFIDENCE).unwrap());
        assert_eq!(clustered_wilson(&ClusterSums::default(), CONFIDENCE), Err(CannotEstimate::NoObservations));
        let impossible = ClusterSums { clusters: 2, events: 3.0, trials: 2.0, ..ClusterSums::default() };
        assert!(matches!(clustered_wilson(&impossible, CONFIDENCE), Err(CannotEstimate::InvalidInput(_))));
    }

    /// Fair coin, 1 head in 4: P(at most 1) = 5/16, so p = 5/8. No head in 4: 2/16. Two heads: the tails exceed 1/2, so p = 1.
    #[test]
    fn the_exact_test_of_a_fair_coin() {
        close(binomial_test(1, 4, 0.5).unwrap(), 5.0 / 8.0);
        close(binomial_test(4, 4, 0.5).unwrap(), 1.0 / 8.0);
        close(binomial_test(2, 4, 0.5).unwrap(), 1.0);
        close(binomial_test(0, 4, 0.0).unwrap(), 1.0);
        close(binomial_test(1, 4, 0.0).unwrap(), 0.0);
        close(binomial_test(3, 4, 1.0).unwrap(), 0.0);
        assert!(binomial_test(1, 4, f64::NAN).is_err());
    }

    #[test]
    fn test_and_interval_agree_where_the_interval_ends() {
        for (events, trials) in [(1, 7), (3, 20), (81, 263)] {
            let interval = clopper_pearson(events, trials, 0.95).unwrap();
            close(binomial_test(events, trials, interval.lower).unwrap(), 0.05);
            close(binomial_test(events, trials, interval.upper).unwrap(), 0.05);
        }
    }

    #[test]
    fn no_input_gives_a_number_that_is_not_finite() {
        for trials in [0u64, 1, 2, 3, 10, 1_000_000, 1 << 40] {
            for events in [0, 1, 2, trials / 2, trials.saturating_sub(1), trials] {
                for interval in [wilson(events, trials, CONFIDENCE), clopper_pearson(events, trials, CONFIDENCE)] {
                    match interval {
                        Ok(found) => {
                            assert!(0.0 <= found.lower && found.lower <= found.estimate);
                            assert!(found.estimate <= found.upper && found.upper <= 1.0);
                        }
                        Err(_) => assert!(trials == 0 || events > trials),
                    }
                }
            }
        }
    }
}
