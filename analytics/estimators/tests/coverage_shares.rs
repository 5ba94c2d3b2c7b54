//! Coverage by simulation: of 1,000 data sets with known truth, how often does the 95 % interval hold it?
//!
//! A coverage of 95 % is measured to within 1.4 points (two standard errors) by 1,000 data sets. Each line asks for the range it states:
//! 93 to 97 % ([`NOMINAL`]) unless a method is known to cover more (exact ones, by construction) or less (few machines, few skewed
//! values); the range is then drawn around what was measured, so that it cannot get worse unseen. All data are seeded.
//! `cargo test --release --test coverage_shares -- --nocapture` prints what is measured.

use std::ops::RangeInclusive;

use fixodds_estimators::binomial::{ClusterSums, binomial_test, clopper_pearson, clustered_wilson, wilson};
use fixodds_estimators::contingency::*;
use fixodds_estimators::empirical_bayes::{BetaBinomial, GammaPoisson, Posterior, RateGroup, ShareGroup};
use fixodds_estimators::funnel::{binomial_limits, poisson_limits};
use fixodds_estimators::multiplicity::{benjamini_hochberg, holm};
use fixodds_estimators::poisson::{garwood, poisson_test};
use fixodds_estimators::quantile::quantile_interval;
use fixodds_estimators::standardisation::{FaultBand, WeightedStratum, direct, indirect, proportionate_fault_ratio};
use fixodds_estimators::{CONFIDENCE, CannotEstimate, Interval};
use rand::SeedableRng;
use rand_distr::{Beta, Binomial, Distribution, Gamma, LogNormal, Poisson};
use rand_pcg::Pcg64Mcg;

type Generator = Pcg64Mcg;
type Estimated = Result<Interval, CannotEstimate>;

const DATA_SETS: u64 = 1_000;
const NOMINAL: RangeInclusive<f64> = 0.93..=0.97;
/// Exact methods cover at least 95 %; half a point is left for the simulation.
const EXACT: RangeInclusive<f64> = 0.945..=1.0;

/// Share of data sets for which something holds, among those (nearly all) that the estimator can answer for.
fn share_of_data_sets(name: &str, asked: RangeInclusive<f64>, simulate: impl Fn(&mut Generator) -> Result<bool, CannotEstimate>) {
    let answers: Vec<bool> = (0..DATA_SETS).filter_map(|seed| simulate(&mut Generator::seed_from_u64(seed)).ok()).collect();
    assert!(answers.len() as u64 >= DATA_SETS * 9 / 10, "{name}: only {} data sets give an answer", answers.len());
    check(name, asked, answers.iter().filter(|held| **held).count() as f64 / answers.len() as f64);
}

fn coverage(name: &str, asked: RangeInclusive<f64>, truth: f64, simulate: impl Fn(&mut Generator) -> Estimated) {
    share_of_data_sets(name, asked, |generator| simulate(generator).map(|interval| holds(&interval, truth)));
}

fn check(name: &str, asked: RangeInclusive<f64>, measured: f64) {
    println!("{name}: {:.1} %", 100.0 * measured);
    assert!(asked.contains(&measured), "{name}: {measured} is not in {asked:?}");
}

fn holds(interval: &Interval, truth: f64) -> bool {
    interval.lower <= truth && truth <= interval.upper
}

fn binomial(generator: &mut Generator, trials: u64, share: f64) -> u64 {
    Binomial::new(trials, share).unwrap().sample(generator)
}

fn poisson(generator: &mut Generator, mean: f64) -> u64 {
    Poisson::new(mean).unwrap().sample(generator) as u64
}

#[test]
fn shares() {
    // The score interval's coverage swings with n and p around 95 %.
    for (trials, share) in [(8, 0.3), (25, 0.1), (60, 0.05), (400, 0.02)] {
        let name = |method: &str| format!("{method}, {share} of {trials} jobs");
        coverage(&name("Wilson"), 0.93..=0.975, share, |g| wilson(binomial(g, trials, share), trials, CONFIDENCE));
        coverage(&name("Clopper-Pearson"), EXACT, share, |g| clopper_pearson(binomial(g, trials, share), trials, CONFIDENCE));
        share_of_data_sets(&name("exact test keeps the truth"), EXACT, |g| {
            Ok(binomial_test(binomial(g, trials, share), trials, share)? > 0.05)
        });
    }
}

/// Machines with 1 + Poisson(2) jobs each; `alike` is the correlation of two jobs on one machine.
fn clusters(generator: &mut Generator, machines: u64, share: f64, alike: f64) -> ClusterSums {
    let strength = (1.0 - alike) / alike;
    let machine_share = Beta::new(share * strength, (1.0 - share) * strength).unwrap();
    ClusterSums::from_clusters((0..machines).map(|_| {
        let jobs = 1 + poisson(generator, 2.0);
        let own_share = machine_share.sample(generator);
        (binomial(generator, jobs, own_share), jobs)
    }))
}

#[test]
fn clustered_shares() {
    // With few machines the design effect is itself uncertain; measured 92.7 % with 10 machines, 92.9 % with 20.
    let few = 0.92..=0.97;
    for (machines, share, asked) in [(10, 0.3, few.clone()), (20, 0.2, few), (40, 0.15, NOMINAL), (150, 0.05, NOMINAL)] {
        for alike in [0.05, 0.3] {
            let name = format!("clustered Wilson, {share} on {machines} machines, correlation {alike}");
            coverage(&name, asked.clone(), share, |g| Ok(clustered_wilson(&clusters(g, machines, share, alike), CONFIDENCE)?.interval));
        }
    }
}

/// The design effect is worth its trouble: a plain Wilson interval on the same jobs covers too little.
#[test]
fn clustered_shares_need_the_design_effect() {
    coverage("plain Wilson on 150 machines, correlation 0.6", 0.0..=0.88, 0.15, |g| {
        let sums = clusters(g, 150, 0.15, 0.6);
        wilson(sums.events as u64, sums.trials as u64, CONFIDENCE)
    });
    coverage("clustered Wilson on 150 machines, correlation 0.6", NOMINAL, 0.15, |g| {
        Ok(clustered_wilson(&clusters(g, 150, 0.15, 0.6), CONFIDENCE)?.interval)
    });
}

#[test]
fn rates() {
    for expected in [0.5, 2.0, 5.0, 20.0, 100.0] {
        let name = |method: &str| format!("{method}, {expected} events expected");
        coverage(&name("Garwood"), EXACT, expected / 50.0, |g| garwood(poisson(g, expected), 50.0, CONFIDENCE));
        share_of_data_sets(&name("exact test keeps the truth"), EXACT, |g| Ok(poisson_test(poisson(g, expected), expected)? > 0.05));
    }
}

#[test]
fn quantiles() {
    // The 90th percentile of the standard normal distribution.
    let z90 = 1.281_551_565_544_600_4;
    for (size, probability, z) in [(7, 0.5, 0.0), (25, 0.5, 0.0), (200, 0.5, 0.0), (60, 0.9, z90), (400, 0.9, z90)] {
        let costs = LogNormal::new(4.5, 0.7).unwrap();
        coverage(&format!("order statistics, quantile {probability} of {size}"), 0.94..=1.0, (4.5f64 + 0.7 * z).exp(), |g| {
            let mut values: Vec<f64> = costs.sample_iter(g).take(size).collect();
            values.sort_by(f64::total_cmp);
            quantile_interval(&values, probability, CONFIDENCE)
        });
    }
}

/// Four age bands with rising risk, twice as many reference jobs as exposed ones.
const BAND_RISKS: [f64; 4] = [0.05, 0.15, 0.3, 0.45];

fn risk_tables(generator: &mut Generator, size: u64, exposed_risk: impl Fn(f64) -> f64) -> Vec<RiskTable> {
    let table = |risk: f64| RiskTable {
        exposed_events: binomial(generator, size, exposed_risk(risk)),
        exposed_total: size,
        reference_events: binomial(generator, 2 * size, risk),
        reference_total: 2 * size,
    };
    BAND_RISKS.map(table).to_vec()
}

fn rate_tables(generator: &mut Generator, size: u64, ratio: f64) -> Vec<RateTable> {
    let years = size as f64;
    let table = |rate: f64| RateTable {
        exposed_events: poisson(generator, rate * ratio * years),
        exposed_machine_years: years,
        reference_events: poisson(generator, rate * 2.0 * years),
        reference_machine_years: 2.0 * years,
    };
    BAND_RISKS.map(table).to_vec()
}

fn with_odds_doubled(risk: f64) -> f64 {
    let odds = 2.0 * risk / (1.0 - risk);
    odds / (1.0 + odds)
}

#[test]
fn contrasts() {
    for (size, ratio) in [(15, 1.5), (40, 1.8), (150, 1.0)] {
        let name = |method: &str| format!("{method}, {size} exposed a band");
        // Crude ratios of the second band only: with 15 jobs, 2 to 3 events, 1/2 is often added and the interval is wide.
        let crude = if size == 15 { 0.97..=1.0 } else { NOMINAL };
        let risks = |g: &mut Generator| risk_tables(g, size, |risk| risk * ratio);
        let odds = |g: &mut Generator| risk_tables(g, size, with_odds_doubled);
        let rates = |g: &mut Generator| rate_tables(g, size, ratio);
        coverage(&name("crude risk ratio"), crude.clone(), ratio, |g| Ok(risk_ratio(&risks(g)[1], CONFIDENCE)?.interval));
        coverage(&name("crude odds ratio"), crude.clone(), 2.0, |g| Ok(odds_ratio(&odds(g)[1], CONFIDENCE)?.interval));
        coverage(&name("crude rate ratio"), crude.clone(), ratio, |g| Ok(rate_ratio(&rates(g)[1], CONFIDENCE)?.interval));
        coverage(&name("Mantel-Haenszel risk ratio"), NOMINAL, ratio, |g| mantel_haenszel_risk_ratio(&risks(g), CONFIDENCE));
        coverage(&name("Mantel-Haenszel odds ratio"), NOMINAL, 2.0, |g| mantel_haenszel_odds_ratio(&odds(g), CONFIDENCE));
        coverage(&name("Mantel-Haenszel rate ratio"), NOMINAL, ratio, |g| mantel_haenszel_rate_ratio(&rates(g), CONFIDENCE));

        // The truth is one ratio for all bands: a test at 5 % should leave it alone 95 times in 100.
        for (test, tarone) in [("Breslow-Day", false), ("Breslow-Day with Tarone's correction", true)] {
            share_of_data_sets(&name(test), NOMINAL, |g| Ok(breslow_day(&odds(g), tarone)?.p_value > 0.05));
        }
        share_of_data_sets(&name("rate ratio homogeneity"), NOMINAL, |g| Ok(rate_ratio_homogeneity(&rates(g))?.p_value > 0.05));
        // Cochran's Q rejects too rarely where 1/2 is often added.
        share_of_data_sets(&name("risk ratio homogeneity"), 0.94..=1.0, |g| Ok(risk_ratio_homogeneity(&risks(g))?.p_value > 0.05));
    }
}

/// Bands whose ratio runs from 1/3 to 3 are found out.
#[test]
fn homogeneity_tests_have_power() {
    share_of_data_sets("homogeneity tests find unequal ratios", 0.9..=1.0, |g| {
        let ratios = [3.0, 2.0, 0.5, 1.0 / 3.0];
        let table = |(risk, ratio): (f64, f64)| RiskTable {
            exposed_events: binomial(g, 200, risk * ratio),
            exposed_total: 200,
            reference_events: binomial(g, 400, risk),
            reference_total: 400,
        };
        let tables: Vec<RiskTable> = BAND_RISKS.into_iter().zip(ratios).map(table).collect();
        let timed = |t: &RiskTable| RateTable {
            exposed_events: t.exposed_events,
            exposed_machine_years: 200.0,
            reference_events: t.reference_events,
            reference_machine_years: 400.0,
        };
        let rates: Vec<RateTable> = tables.iter().map(timed).collect();
        let tests = [breslow_day(&tables, true)?, risk_ratio_homogeneity(&tables)?, rate_ratio_homogeneity(&rates)?];
        Ok(tests.iter().all(|test| test.p_value < 0.05))
    });
}

/// Four bands, thinner with age, from about 3 events in all to about 120.
#[test]
fn standardised() {
    let rates = [0.02, 0.06, 0.12, 0.2];
    for (scale, at_most) in [(5.0, 1.0), (30.0, 0.99), (200.0, 0.98)] {
        let exposures = [3.0 * scale, 2.0 * scale, scale, 0.5 * scale];
        let name = |method: &str| format!("{method}, scale {scale}");
        coverage(&name("Fay-Feuer direct rate"), 0.945..=at_most, rates.iter().sum::<f64>() / 4.0, |g| {
            let stratum = |(rate, exposure): (f64, f64)| WeightedStratum { events: poisson(g, rate * exposure), exposure, weight: 1.0 };
            direct(&rates.into_iter().zip(exposures).map(stratum).collect::<Vec<_>>(), CONFIDENCE)
        });
        let expected: f64 = rates.iter().zip(exposures).map(|(rate, exposure)| rate * exposure).sum();
        coverage(&name("indirect ratio"), EXACT, 1.4, |g| Ok(indirect(poisson(g, 1.4 * expected), expected, CONFIDENCE)?.interval));
        coverage(&name("proportionate fault ratio"), 0.94..=0.98, 1.4, |g| {
            let faults = scale as u64;
            let band = |standard_share: f64| FaultBand { observed: binomial(g, faults, 1.4 * standard_share), faults, standard_share };
            Ok(proportionate_fault_ratio(&[0.08, 0.2, 0.4].map(band), CONFIDENCE)?.interval)
        });
    }
}

/// Number of models, shape of the distribution of their rates (small: they vary much), machine-years of the smallest, range asked for,
/// and how far a said probability may be off. Coverage is averaged over models; measured 92 % with 8 of them. Where models hardly vary
/// (shape 20) the data cannot show it: intervals cover 97 % and more, and small probabilities are said too small (0.07 for 0.2 to 0.3).
const MODELS: [(usize, f64, u64, RangeInclusive<f64>, f64); 5] = [
    (8, 4.0, 60, 0.90..=0.97, 0.05),
    (30, 4.0, 20, 0.92..=0.97, 0.05),
    (100, 4.0, 20, NOMINAL, 0.03),
    (30, 1.0, 20, NOMINAL, 0.03),
    (30, 20.0, 12, 0.95..=1.0, 0.3),
];

/// For every data set, the posterior of each of its groups and the truth.
fn check_posteriors(
    name: &str,
    asked: RangeInclusive<f64>,
    off: f64,
    value: f64,
    simulate: impl Fn(&mut Generator) -> Vec<(Posterior, f64)>,
) {
    let all: Vec<(Posterior, f64)> = (0..DATA_SETS).flat_map(|seed| simulate(&mut Generator::seed_from_u64(seed))).collect();
    let held = all.iter().filter(|(posterior, truth)| holds(&posterior.interval, *truth)).count();
    check(name, asked, held as f64 / all.len() as f64);
    // Of the models said to be worse with a certain probability, about that share is worse.
    for (from, to) in [(0.0, 0.1), (0.4, 0.6), (0.9, 1.0)] {
        let said: Vec<&(Posterior, f64)> = all.iter().filter(|(posterior, _)| (from..=to).contains(&posterior.probability_above)).collect();
        if said.len() > 500 {
            let expected = said.iter().map(|(posterior, _)| posterior.probability_above).sum::<f64>() / said.len() as f64;
            let above = said.iter().filter(|(_, truth)| *truth > value).count() as f64 / said.len() as f64;
            println!("  said {expected:.3}, is {above:.3}");
            assert!((above - expected).abs() < off, "{name}: said {expected}, is {above}");
        }
    }
}

#[test]
fn rates_of_many_models() {
    for (models, shape, size, asked, off) in MODELS {
        let rates = Gamma::new(shape, 0.1 / shape).unwrap();
        check_posteriors(&format!("gamma-Poisson, {models} models, shape {shape}"), asked, off, 0.1, |g| {
            let truths: Vec<f64> = (0..models).map(|_| rates.sample(g)).collect();
            let exposure = |i: usize| (size * (1 + i as u64 % 5)) as f64;
            let groups: Vec<RateGroup> =
                (0..models).map(|i| RateGroup { events: poisson(g, truths[i] * exposure(i)), exposure: exposure(i) }).collect();
            let Ok(model) = GammaPoisson::fit(&groups) else { return Vec::new() };
            groups.iter().zip(truths).map(|(&group, truth)| (model.posterior(group, 0.1, CONFIDENCE).unwrap(), truth)).collect()
        });
    }
}

#[test]
fn shares_of_many_models() {
    for (models, shape, size, asked, off) in MODELS {
        let shares = Beta::new(shape, 3.0 * shape).unwrap();
        check_posteriors(&format!("beta-binomial, {models} models, shape {shape}"), asked, off, 0.25, |g| {
            let truths: Vec<f64> = (0..models).map(|_| shares.sample(g)).collect();
            let trials = |i: usize| size / 4 * (1 + i as u64 % 5);
            let groups: Vec<ShareGroup> =
                (0..models).map(|i| ShareGroup { events: binomial(g, trials(i), truths[i]), trials: trials(i) }).collect();
            let Ok(model) = BetaBinomial::fit(&groups) else { return Vec::new() };
            groups.iter().zip(truths).map(|(&group, truth)| (model.posterior(group, 0.25, CONFIDENCE).unwrap(), truth)).collect()
        });
    }
}

/// 100 models, 20 of them twice as bad: the share of false discoveries, and how often there is any false one after Holm.
#[test]
fn false_discoveries() {
    let (mut false_share, mut any_false, mut found) = (0.0, 0.0, 0.0);
    for seed in 0..DATA_SETS {
        let g = &mut Generator::seed_from_u64(seed);
        let p_values: Vec<f64> =
            (0..100).map(|model| poisson_test(poisson(g, if model < 20 { 30.0 } else { 15.0 }), 15.0).unwrap()).collect();
        let rejected = |adjusted: Vec<f64>| -> (usize, usize) {
            let wrong = adjusted[20..].iter().filter(|p| **p <= 0.05).count();
            (wrong, wrong + adjusted[..20].iter().filter(|p| **p <= 0.05).count())
        };
        let (wrong, all) = rejected(benjamini_hochberg(&p_values).unwrap());
        false_share += wrong as f64 / all.max(1) as f64;
        found += (all - wrong) as f64 / 20.0;
        any_false += f64::from(rejected(holm(&p_values).unwrap()).0 > 0);
    }
    let mean = |sum: f64| sum / DATA_SETS as f64;
    check("false discoveries among discoveries, Benjamini-Hochberg", 0.005..=0.05, mean(false_share));
    check("worse models found, Benjamini-Hochberg", 0.5..=1.0, mean(found));
    check("any false rejection, Holm", 0.001..=0.05, mean(any_false));
}

#[test]
fn funnels() {
    for size in [20, 100, 1_000] {
        let exposure = size as f64;
        let (rate, share) = (poisson_limits(0.1, exposure).unwrap(), binomial_limits(0.1, size).unwrap());
        let name = |limits: &str| format!("{limits} funnel limits at size {size}");
        share_of_data_sets(&name("95 % Poisson"), NOMINAL, |g| {
            Ok((rate.lower_95..=rate.upper_95).contains(&(poisson(g, 0.1 * exposure) as f64 / exposure)))
        });
        share_of_data_sets(&name("95 % binomial"), NOMINAL, |g| {
            Ok((share.lower_95..=share.upper_95).contains(&(binomial(g, size, 0.1) as f64 / exposure)))
        });
        share_of_data_sets(&name("99.8 % Poisson"), 0.995..=1.0, |g| {
            Ok((rate.lower_998..=rate.upper_998).contains(&(poisson(g, 0.1 * exposure) as f64 / exposure)))
        });
        share_of_data_sets(&name("99.8 % binomial"), 0.995..=1.0, |g| {
            Ok((share.lower_998..=share.upper_998).contains(&(binomial(g, size, 0.1) as f64 / exposure)))
        });
    }
}
