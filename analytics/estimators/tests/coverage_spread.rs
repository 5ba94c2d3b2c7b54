//! Coverage by simulation of what rests on the variance between machines or models: rates, means of amounts, contrasts of designs, standings and trends.
//!
//! Each line is [`SEEDS`] times [`DATA_SETS`] data sets. With `n` of them a coverage of 93 % or 97 % is measured to within three standard errors,
//! `3 sqrt(0.93 * 0.07 / n)`: so far may a line lie outside the range it states. Exact intervals and those of few machines or models cover more than
//! they say, and state it.
//! `cargo test --release --test coverage_spread -- --nocapture` prints the table of `docs`.

use std::ops::RangeInclusive;

use fixodds_estimators::clustered_rate::{RateSums, clustered_rate};
use fixodds_estimators::clustered_ratio::{Cell, cluster_spread};
use fixodds_estimators::contingency::{RateTable, mantel_haenszel_rate_ratio};
use fixodds_estimators::mean::{MeanSums, mean_amount_from_sums, mean_from_sums};
use fixodds_estimators::multiplicity::benjamini_hochberg;
use fixodds_estimators::poisson::garwood;
use fixodds_estimators::standing::{Group, Measure, Stratum, against_others};
use fixodds_estimators::trend::{AgeYear, rate_trend};
use fixodds_estimators::{CONFIDENCE, CannotEstimate, Interval};
use rand::{RngExt, SeedableRng};
use rand_distr::{Binomial, Distribution, Exp, Gamma, LogNormal, Normal, Poisson};
use rand_pcg::Pcg64Mcg;
use rayon::prelude::*;

type Generator = Pcg64Mcg;

const SEEDS: u64 = 4;
const DATA_SETS: u64 = 1_000;
const NOMINAL: RangeInclusive<f64> = 0.93..=0.97;

/// Share of the data sets that can be answered for, and of these the share for which something holds.
fn shares(simulate: impl Fn(&mut Generator) -> Result<bool, CannotEstimate> + Sync) -> (f64, f64, f64) {
    let all = SEEDS * DATA_SETS;
    let answers: Vec<bool> = (0..all).into_par_iter().filter_map(|seed| simulate(&mut Generator::seed_from_u64(seed)).ok()).collect();
    let n = answers.len() as f64;
    (n / all as f64, answers.iter().filter(|held| **held).count() as f64 / n, n)
}

fn coverage(
    name: &str,
    asked: RangeInclusive<f64>,
    truth: f64,
    simulate: impl Fn(&mut Generator) -> Result<Interval, CannotEstimate> + Sync,
) {
    let holds = |interval: Interval| interval.lower <= truth && truth <= interval.upper;
    let (answered, measured, n) = shares(|generator| simulate(generator).map(holds));
    let margin = 3.0 * (0.93 * 0.07 / n).sqrt();
    println!("| {name} | {:.1} % | answered {:.1} % |", 100.0 * measured, 100.0 * answered);
    // Amounts that scatter too much for their number have a reason instead.
    assert!(answered >= 0.8, "{name}: only {answered} of the data sets give an answer");
    assert!((asked.start() - margin..=asked.end() + margin).contains(&measured), "{name}: {measured} is not in {asked:?}");
}

fn poisson(generator: &mut Generator, mean: f64) -> u64 {
    if mean > 0.0 { Poisson::new(mean).unwrap().sample(generator) as u64 } else { 0 }
}

/// What a machine's own rate is to that of all: mean 1 and this variance.
fn frailty(generator: &mut Generator, variance: f64) -> f64 {
    if variance > 0.0 { Gamma::new(1.0 / variance, variance).unwrap().sample(generator) } else { 1.0 }
}

/// Machines with as many faults a year each, watched for a year, or for times that are exponential with that mean.
fn machines(generator: &mut Generator, number: u64, faults: f64, variance: f64, unequal: bool) -> RateSums {
    RateSums::from_machines((0..number).map(|_| {
        let years = if unequal { Exp::new(1.0).unwrap().sample(generator) + 0.05 } else { 1.0 };
        let own = frailty(generator, variance);
        (poisson(generator, faults * own * years), years)
    }))
}

#[test]
fn rates_of_machines_that_differ() {
    // At two faults a machine and a variance of 0.5 to 1 between machines: what was measured on the exact interval, and what holds.
    for variance in [0.5, 1.0] {
        let name = format!("60 machines, 2 faults each, variance {variance}");
        let (_, exact, _) = shares(|g| {
            let sums = machines(g, 60, 2.0, variance, false);
            garwood(sums.events, sums.exposure, CONFIDENCE).map(|rate| rate.lower <= 2.0 && 2.0 <= rate.upper)
        });
        println!("| exact Poisson, {name} | {:.1} % | |", 100.0 * exact);
        assert!(exact < 0.9, "{exact}");
    }
    for (number, faults) in [(10, 2.0), (20, 2.0), (20, 8.0), (60, 2.0), (60, 8.0), (300, 2.0), (300, 0.5)] {
        for variance in [0.5, 1.0] {
            for unequal in [false, true] {
                let name = format!(
                    "clustered rate, {number} machines, {faults} faults each, variance {variance}{}",
                    if unequal { ", unequal times" } else { "" }
                );
                // The bounds of few machines take them for more unlike than they are.
                let asked = if number == 10 { 0.93..=0.99 } else { NOMINAL };
                coverage(&name, asked, faults, |g| clustered_rate(&machines(g, number, faults, variance, unequal), CONFIDENCE));
            }
        }
    }
    // Few events, few machines, machines alike: never narrower than the exact interval, which covers more than it says.
    for (number, faults, variance) in
        [(60, 0.05, 1.0), (60, 0.1, 0.5), (300, 0.02, 1.0), (60, 2.0, 0.0), (10, 0.5, 0.5), (3, 2.0, 0.5), (3, 2.0, 1.0)]
    {
        let name = format!("clustered rate, {number} machines, {faults} faults each, variance {variance}");
        coverage(&name, 0.94..=1.0, faults, |g| clustered_rate(&machines(g, number, faults, variance, false), CONFIDENCE));
    }
}

fn mean_sums(machines: impl IntoIterator<Item = (f64, f64)>) -> MeanSums {
    let mut sums = MeanSums { clusters: 0, rows: 0.0, value: 0.0, value_squared: 0.0, value_times_rows: 0.0, rows_squared: 0.0 };
    for (s, n) in machines {
        sums.clusters += 1;
        sums.rows += n;
        sums.value += s;
        sums.value_squared += s * s;
        sums.value_times_rows += s * n;
        sums.rows_squared += n * n;
    }
    sums
}

#[test]
fn mean_costs() {
    for spread in [0.4, 0.7] {
        let costs = LogNormal::new(4.5, spread).unwrap();
        let truth = (4.5f64 + spread * spread / 2.0).exp();
        for size in [5, 8, 12, 20, 40, 100, 300] {
            coverage(&format!("mean of {size} lognormal costs, log sd {spread}"), NOMINAL, truth, |g| {
                mean_amount_from_sums(&mean_sums((0..size).map(|_| (costs.sample(g), 1.0))), CONFIDENCE)
            });
        }
    }
    // Other shapes than the one the method has in mind.
    for size in [8, 12, 40] {
        let exponential = Exp::new(0.01).unwrap();
        coverage(&format!("mean of {size} exponential costs"), 0.93..=0.985, 100.0, |g| {
            mean_amount_from_sums(&mean_sums((0..size).map(|_| (exponential.sample(g), 1.0))), CONFIDENCE)
        });
        let normal = Normal::new(100.0, 30.0).unwrap();
        coverage(&format!("mean of {size} normal costs, cv 0.3"), NOMINAL, 100.0, |g| {
            mean_amount_from_sums(&mean_sums((0..size).map(|_| (f64::max(normal.sample(g), 0.0), 1.0))), CONFIDENCE)
        });
    }
    for size in [12, 40, 100] {
        let costs = LogNormal::new(4.5, 0.7).unwrap();
        coverage(
            &format!("mean of {size} costs, half of them nothing, the others lognormal"),
            0.93..=1.0,
            (4.5f64 + 0.245).exp() / 2.0,
            |g| {
                let cost = |g: &mut Generator| if g.random_range(0.0..1.0) < 0.5 { 0.0 } else { costs.sample(g) };
                mean_amount_from_sums(&mean_sums((0..size).map(|_| (cost(g), 1.0))), CONFIDENCE)
            },
        );
    }
}

/// Costs that share a level within a machine (log sd 0.3) and vary between its jobs (log sd 0.5), 1 + Poisson(1.5) jobs each.
#[test]
fn mean_costs_of_several_jobs_a_machine() {
    let (level, job) = (LogNormal::new(4.5, 0.3).unwrap(), LogNormal::new(0.0, 0.5).unwrap());
    let truth = (4.5f64 + 0.3 * 0.3 / 2.0 + 0.5 * 0.5 / 2.0).exp();
    for number in [5, 10, 20, 60, 300] {
        coverage(&format!("mean cost over {number} machines, 1 + Poisson(1.5) jobs each"), NOMINAL, truth, |g| {
            let machine = |g: &mut Generator| {
                let (level, jobs) = (level.sample(g), 1 + poisson(g, 1.5));
                ((0..jobs).map(|_| level * job.sample(g)).sum(), jobs as f64)
            };
            mean_amount_from_sums(&mean_sums((0..number).map(|_| machine(g))), CONFIDENCE)
        });
    }
    let contribution = Normal::new(10.0, 40.0).unwrap();
    for number in [5, 20, 100] {
        coverage(&format!("mean of {number} values of either sign"), NOMINAL, 10.0, |g| {
            mean_from_sums(&mean_sums((0..number).map(|_| (contribution.sample(g), 1.0))), CONFIDENCE)
        });
    }
}

/// Models of two designs in six age bands, whose rates differ by a lognormal factor (log sd `between`), and whose sizes do, too.
fn designs(generator: &mut Generator, exposed: u64, reference: u64, between: f64, size: f64, unequal: f64) -> (Vec<Cell>, Vec<RateTable>) {
    let (own, sizes) = (LogNormal::new(-between * between / 2.0, between).unwrap(), LogNormal::new(size.ln(), unequal).unwrap());
    let mut tables =
        vec![RateTable { exposed_events: 0, exposed_machine_years: 0.0, reference_events: 0, reference_machine_years: 0.0 }; 6];
    let mut cells = Vec::new();
    for cluster in 0..exposed + reference {
        let is_exposed = cluster < exposed;
        let factor = own.sample(generator) * if is_exposed { 1.5 } else { 1.0 };
        let years = sizes.sample(generator);
        let mix: Vec<f64> = (0..6).map(|_| Gamma::new(3.0, 1.0).unwrap().sample(generator)).collect();
        for (stratum, table) in tables.iter_mut().enumerate() {
            let size = years * mix[stratum] / mix.iter().sum::<f64>();
            let events = poisson(generator, 0.1 * (0.5 + 0.3 * stratum as f64) * factor * size);
            cells.push(Cell { cluster, stratum: stratum as u64, exposed: is_exposed, events: events as f64, size });
            let (of_events, of_years) = if is_exposed {
                (&mut table.exposed_events, &mut table.exposed_machine_years)
            } else {
                (&mut table.reference_events, &mut table.reference_machine_years)
            };
            *of_events += events;
            *of_years += size;
        }
    }
    (cells, tables)
}

#[test]
fn contrasts_of_designs() {
    let (_, independent, _) = shares(|g| {
        let (_, tables) = designs(g, 8, 8, 0.3, 1_000.0, 1.0);
        mantel_haenszel_rate_ratio(&tables, CONFIDENCE).map(|ratio| ratio.lower <= 1.5 && 1.5 <= ratio.upper)
    });
    println!("| Mantel-Haenszel of independent events, 8 models against 8, log sd 0.3 | {:.1} % | |", 100.0 * independent);
    assert!(independent < 0.5, "{independent}");
    for (exposed, reference, between, size, unequal, asked) in [
        (4, 4, 0.3, 1_000.0, 0.0, NOMINAL),
        (4, 10, 0.3, 1_000.0, 0.5, 0.92..=0.97),
        (8, 8, 0.3, 100.0, 1.0, NOMINAL),
        (8, 8, 0.3, 1_000.0, 1.0, 0.925..=0.97),
        (20, 30, 0.3, 1_000.0, 1.0, NOMINAL),
        (20, 30, 0.15, 300.0, 0.5, NOMINAL),
        (2, 3, 0.3, 1_000.0, 0.3, 0.93..=1.0),
        // Models alike: no narrower than chance, so wider where models are few.
        (4, 4, 0.0, 300.0, 0.5, 0.95..=1.0),
        (20, 30, 0.0, 300.0, 0.5, 0.95..=0.98),
    ] {
        let name = format!(
            "clustered Mantel-Haenszel, {exposed} models against {reference}, log sd {between}, {size} machine-years, unequal {unequal}"
        );
        coverage(&name, asked, 1.5, |g| {
            let (cells, tables) = designs(g, exposed, reference, between, size, unequal);
            let independent = mantel_haenszel_rate_ratio(&tables, CONFIDENCE)?;
            Ok(cluster_spread(&cells, &independent)?.widened(&independent)?.interval)
        });
    }
}

/// Models whose machines were of unlike age when watching began (up to eight years apart), all watched for four years; faults grow with age.
fn models(
    generator: &mut Generator,
    number: usize,
    machines: usize,
    variance: f64,
    faults: f64,
    factor: impl Fn(usize) -> f64,
) -> Vec<Group> {
    let mut groups = Vec::new();
    for model in 0..number {
        let youngest = generator.random_range(0.0..8.0);
        let mut strata = vec![Stratum::default(); 16];
        let mut sums = Vec::new();
        for _ in 0..machines {
            let own = frailty(generator, variance) * factor(model);
            let mut all = 0;
            let mut age: f64 = youngest + generator.random_range(0.0..3.0);
            for _ in 0..8 {
                let events = poisson(generator, faults * own * (0.3 + 0.15 * age) * 0.5);
                let stratum = &mut strata[(age as usize).min(15)];
                stratum.events += events as f64;
                stratum.size += 0.5;
                all += events;
                age += 0.5;
            }
            sums.push((all, 4.0));
        }
        groups.push(Group { strata, machines: RateSums::from_machines(sums) });
    }
    groups
}

/// As the table words it: a q-value of 0.05 at most over all that are compared, and a posterior probability of 0.975.
fn called(families: &[Vec<Group>], measure: Measure) -> Vec<Vec<Option<bool>>> {
    let found: Vec<Vec<_>> = families.iter().map(|groups| against_others(groups, measure, CONFIDENCE).unwrap()).collect();
    let p_values: Vec<f64> = found.iter().flatten().flatten().map(|standing| standing.p_value).collect();
    let mut q_values = benjamini_hochberg(&p_values).unwrap().into_iter();
    let mut word = |standing: &Option<fixodds_estimators::standing::Standing>| {
        let (standing, q) = (standing.as_ref()?, q_values.next()?);
        let worse = standing.ratio.as_ref().ok()?.probability_above;
        (q <= 0.05 && !(0.025..=0.975).contains(&worse)).then_some(worse > 0.5)
    };
    found.iter().map(|standings| standings.iter().map(&mut word).collect()).collect()
}

#[test]
fn models_alike_are_seldom_called_worse_or_better() {
    for (name, components, number, machines, variance, faults) in [
        ("12 models of unlike age, machines alike", 1, 12, 60, 0.0, 0.5),
        ("12 models of unlike age, machines differ by 0.5", 1, 12, 60, 0.5, 0.5),
        ("12 models of unlike age, machines differ by 1", 1, 12, 60, 1.0, 0.5),
        ("6 models of unlike age, machines differ by 1", 1, 6, 20, 1.0, 1.0),
        ("8 models, 40 components", 40, 8, 30, 1.0, 0.05),
    ] {
        let data_sets = if components > 1 { 400 } else { 2_000 };
        let any: usize = (0..data_sets)
            .into_par_iter()
            .filter(|seed| {
                let g = &mut Generator::seed_from_u64(*seed);
                let families: Vec<Vec<Group>> = (0..components).map(|_| models(g, number, machines, variance, faults, |_| 1.0)).collect();
                called(&families, Measure::Rate).iter().flatten().any(Option::is_some)
            })
            .count();
        let share = any as f64 / data_sets as f64;
        println!("| {name}: any called | {:.1} % | |", 100.0 * share);
        // Not reached: with one or two faults a model and machines that differ, forty components call one in 21 % of the runs (87 % before).
        let most = if components > 1 { 0.21 } else { 0.05f64 };
        assert!(share <= most + 3.0 * (most * (1.0 - most) / data_sets as f64).sqrt(), "{name}: {share}");
    }
}

#[test]
fn bad_models_are_found_and_ratios_covered() {
    for (name, variance, faults) in [("machines alike", 0.0, 0.5), ("machines differ by 1", 1.0, 0.5)] {
        let (mut found, mut wrong, mut calls) = (0, 0, 0);
        for seed in 0..500 {
            let g = &mut Generator::seed_from_u64(seed);
            let groups = models(g, 12, 100, variance, faults, |model| if model == 0 { 2.0 } else { 1.0 });
            let words = called(&[groups], Measure::Rate).remove(0);
            found += usize::from(words[0] == Some(true));
            wrong += usize::from(words[0] == Some(false)) + words[1..].iter().filter(|word| **word == Some(true)).count();
            calls += words.iter().flatten().count();
        }
        println!(
            "| one of 12 models twice as bad, {name}: found | {:.1} % | {wrong} of {calls} calls on the wrong side |",
            found as f64 / 5.0
        );
        assert!(found >= 400 && wrong * 40 <= calls, "{name}: {found} {wrong} {calls}");
    }
    // Models that differ by a factor of log sd 0.3: their own ratios to the others.
    for variance in [0.0, 1.0] {
        let held: Vec<(usize, usize)> = (0..1_000)
            .into_par_iter()
            .map(|seed| {
                let g = &mut Generator::seed_from_u64(seed);
                let factor = LogNormal::new(0.0, 0.3).unwrap();
                let factors: Vec<f64> = (0..15).map(|_| factor.sample(g)).collect();
                let groups = models(g, 15, 60, variance, 0.5, |model| factors[model]);
                let standings = against_others(&groups, Measure::Rate, CONFIDENCE).unwrap();
                let mut held = (0, 0);
                for (model, standing) in standings.iter().enumerate() {
                    let Some(standing) = standing else { continue };
                    // What is expected of the model at the true rates of the others.
                    let mut truth = 0.0;
                    for (band, stratum) in groups[model].strata.iter().enumerate() {
                        let others = groups.iter().zip(&factors).enumerate().filter(|(other, _)| *other != model);
                        let (rate, size) = others.fold((0.0, 0.0), |sum, (_, (group, factor))| {
                            (sum.0 + factor * group.strata[band].size, sum.1 + group.strata[band].size)
                        });
                        if size > 0.0 {
                            let at = 0.3 + 0.15 * (band as f64 + 0.5);
                            truth += stratum.size * at * rate / size;
                        }
                    }
                    let own: f64 =
                        groups[model].strata.iter().enumerate().map(|(band, s)| s.size * (0.3 + 0.15 * (band as f64 + 0.5))).sum();
                    let truth = factors[model] * own / truth;
                    let ratio = standing.ratio.as_ref().unwrap().interval;
                    held.0 += usize::from(ratio.lower <= truth && truth <= ratio.upper);
                    held.1 += 1;
                }
                held
            })
            .collect();
        let (held, all) = held.into_iter().fold((0, 0), |sum, one| (sum.0 + one.0, sum.1 + one.1));
        let share = held as f64 / all as f64;
        println!(
            "| ratio of a model to the others, 15 models that differ by log sd 0.3, machines by {variance} | {:.1} % | |",
            100.0 * share
        );
        assert!((0.92..=0.98).contains(&share), "{share}");
    }
}

#[test]
fn models_alike_in_write_offs_are_seldom_called() {
    let data_sets = 2_000u64;
    let any: usize = (0..data_sets)
        .into_par_iter()
        .filter(|seed| {
            let g = &mut Generator::seed_from_u64(*seed);
            let groups: Vec<Group> = (0..12)
                .map(|_| {
                    let youngest = g.random_range(0..8usize);
                    let mut strata = vec![Stratum::default(); 13];
                    let mut units = Vec::new();
                    for _ in 0..80 {
                        let band = youngest + g.random_range(0..4usize);
                        let jobs = 1 + g.random_range(0..2u64);
                        let condemned = Binomial::new(1, 0.05 + 0.04 * band as f64).unwrap().sample(g);
                        strata[band].events += condemned as f64;
                        strata[band].size += jobs as f64;
                        units.push((condemned, jobs as f64));
                    }
                    Group { strata, machines: RateSums::from_machines(units) }
                })
                .collect();
            called(&[groups], Measure::Share)[0].iter().any(Option::is_some)
        })
        .count();
    let share = any as f64 / data_sets as f64;
    println!("| write-offs of 12 models of unlike age: any called | {:.1} % | |", 100.0 * share);
    assert!(share <= 0.05 + 3.0 * (0.05f64 * 0.95 / data_sets as f64).sqrt(), "{share}");
}

/// A roster watched for `years`: machines new on days spread over so many years before the end of the first of them, each with its own rate, which
/// changes by a factor each calendar year and with age.
fn roster(
    generator: &mut Generator,
    number: u64,
    years: u64,
    spread: f64,
    change: f64,
    variance: f64,
    ageing: f64,
) -> (Vec<AgeYear>, RateSums) {
    let mut cells = std::collections::BTreeMap::new();
    let mut sums = Vec::new();
    for _ in 0..number {
        let own = 0.3 * frailty(generator, variance);
        let new_on = 1.0 - generator.random_range(0.0..1.0) * spread;
        let (mut all, mut watched) = (0, 0.0);
        for step in 0..years * 8 {
            let day = (step as f64 + 0.5) / 8.0;
            let age = day - new_on;
            if age < 0.0 {
                continue;
            }
            let events = poisson(generator, own * change.powf(day) * (1.0 + ageing * age) / 8.0);
            let cell = cells.entry((age as u64, step / 8)).or_insert((0.0, 0.0));
            cell.0 += events as f64;
            cell.1 += 1.0 / 8.0;
            all += events;
            watched += 1.0 / 8.0;
        }
        if watched > 0.0 {
            sums.push((all, watched));
        }
    }
    let cells = cells.into_iter().map(|((age_band, year), (events, exposure))| AgeYear { age_band, year: year as f64, events, exposure });
    (cells.collect(), RateSums::from_machines(sums))
}

fn trend_of((cells, sums): &(Vec<AgeYear>, RateSums)) -> Result<fixodds_estimators::trend::Trend, CannotEstimate> {
    rate_trend(cells, &sums.dispersion()?, CONFIDENCE)
}

#[test]
fn trends() {
    // Staggered cohorts with a true change. Where machines differ, their dispersion counts whole, which is more than needed where they are watched
    // throughout.
    for (number, years, spread, change, variance, ageing) in
        [(300, 6, 10.0, 1.1, 0.0, 0.0), (300, 6, 10.0, 1.1, 1.0, 0.0), (300, 8, 8.0, 1.0, 0.5, 0.2), (150, 10, 12.0, 0.95, 1.0, 0.1)]
    {
        let name = format!(
            "trend, {number} machines new over {spread} years, {years} years, factor {change}, variance {variance}, ageing {ageing}"
        );
        coverage(&name, 0.93..=0.995, change, |g| {
            Ok(trend_of(&roster(g, number, years, spread, change, variance, ageing))?.factor_per_year)
        });
    }
    // No change, though machines age and differ: seldom called one.
    for (number, years, spread, variance, ageing) in
        [(300, 8, 8.0, 0.0, 0.0), (300, 8, 8.0, 1.0, 0.3), (300, 6, 3.0, 0.5, 0.3), (60, 10, 8.0, 1.0, 0.3), (1000, 8, 6.0, 0.0, 0.3)]
    {
        let (answered, called, n) = shares(|g| Ok(trend_of(&roster(g, number, years, spread, 1.0, variance, ageing))?.p_value < 0.05));
        println!(
            "| no change, {number} machines new over {spread} years, {years} years, variance {variance}, ageing {ageing}: called one | {:.1} % | answered {:.1} % |",
            100.0 * called,
            100.0 * answered
        );
        assert!(n < 200.0 || called <= 0.05 + 3.0 * (0.05 * 0.95 / n).sqrt(), "{called}");
    }
    // One cohort: no estimate, whatever the change.
    for (spread, change) in [(0.0, 1.1), (0.5, 1.1), (1.0, 1.1), (1.0, 1.0)] {
        let (answered, _, _) = shares(|g| trend_of(&roster(g, 200, 8, spread, change, 0.5, 0.0)).map(|_| true));
        println!("| one cohort, new within {spread} years, factor {change}: an estimate | {:.1} % | |", 100.0 * answered);
        assert!(answered < 0.01, "{answered}");
    }
}
