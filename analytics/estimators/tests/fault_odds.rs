//! The fault odds worked by hand, at their limits, on refused input, and on simulated jobs with known truth.

use fixodds_estimators::CannotEstimate;
use fixodds_estimators::fault_odds::complaint::{Job, Said, Weights};
use fixodds_estimators::fault_odds::fit::{HeldOut, Training, fit, log_likelihood};
use fixodds_estimators::fault_odds::{CategoryCounts, CategoryOdds, GroupCounts, Question, Settings};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// Two components, two age bands and an unknown age.
fn small() -> CategoryCounts {
    CategoryCounts { faults_by_age: vec![vec![6, 2, 0], vec![2, 10, 0]] }
}

/// Weights of one symptom that speaks for the first component.
fn told() -> Weights {
    Weights {
        intercept: vec![0.1, -0.1],
        intercept_variance: vec![0.01, 0.02],
        features: vec![vec![0.7, -0.5]],
        variances: vec![vec![0.1, 0.2]],
        unknown_word_variance: 0.4,
    }
}

fn settings() -> Settings {
    Settings { category_strength: 4.0, group_strengths: [6.0, 6.0, 6.0], age_strength: 4.0, age_reach: 0.5, complaint_inflation: 1.2 }
}

fn close(found: f64, expected: f64) {
    assert!((found - expected).abs() < 1e-12, "{found} instead of {expected}");
}

fn first(counts: &CategoryCounts, settings: &Settings, question: &Question<'_>) -> f64 {
    CategoryOdds::new(counts, &told(), settings).unwrap().answer(question, 0.95).unwrap()[0].estimate
}

#[test]
fn worked_example() {
    let counts = small();
    // Shares of 8 and 12 of 20 jobs with two more each: 10/24 and 14/24.
    let (p, q) = (10.0 / 24.0, 14.0 / 24.0);
    close(first(&counts, &settings(), &Question::default()), p);
    // Young band with half the old one's counts: 6 + 1 = 7 and 2 + 5 = 7 of 14.
    let (young, young_other) = ((7.0 + 4.0 * p) / 18.0, (7.0 + 4.0 * q) / 18.0);
    close(first(&counts, &settings(), &Question { age_band: Some(0), ..Question::default() }), young);
    // A model with 3 jobs, all young, all of the first component: expected 3 young, ratio (3 + 6p) / (3 young + 6p).
    let model = GroupCounts { jobs: vec![(0, 3)], faults: vec![(0, 3)] };
    let ratio = (3.0 + 6.0 * p) / (3.0 * young + 6.0 * p);
    let ratio_other = 6.0 * q / (3.0 * young_other + 6.0 * q);
    let question = Question { groups: [None, None, Some(&model)], age_band: Some(0), complaint: None };
    close(first(&counts, &settings(), &question), young * ratio / (young * ratio + young_other * ratio_other));
    // The symptom adds 0.1 + 0.7 to the logarithm of the first, -0.1 - 0.5 to that of the other.
    let said = Said { features: vec![0], unknown_words: 0 };
    let question = Question { complaint: Some(&said), ..Question::default() };
    let (weight, other) = (p * 0.8f64.exp(), q * (-0.6f64).exp());
    close(first(&counts, &settings(), &question), weight / (weight + other));
}

/// Shares of 10/24 and 14/24 are gamma shapes 10 and 14: `v = 1/10 + 1/200 + 1/14 + 1/392`, and 1.2 (0.01 + 0.02) more once something is
/// said; a word not met adds 1.2 times 0.4 for each of the two.
#[test]
fn the_interval_by_hand() {
    let (counts, weights) = (small(), told());
    let odds = CategoryOdds::new(&counts, &weights, &settings()).unwrap();
    let said = Said { features: Vec::new(), unknown_words: 1 };
    let found = odds.answer(&Question { complaint: Some(&said), ..Question::default() }, 0.95).unwrap()[0];
    let variance: f64 = 1.0 / 10.0 + 1.0 / 200.0 + 1.0 / 14.0 + 1.0 / 392.0 + 1.2 * (0.03 + 0.8);
    let log_odds = (10.0f64 / 14.0).ln() + 0.2;
    let centre = log_odds * (1.0 + std::f64::consts::PI * variance / 8.0).sqrt();
    let bound = |sign: f64| 1.0 / (1.0 + (-(centre + sign * 1.959_963_984_540_054 * variance.sqrt())).exp());
    close(found.lower, bound(-1.0));
    close(found.upper, bound(1.0));
    close(odds.mention(0, 0, 0.95).unwrap().estimate, (0.7 - (0.7 * 10.0 - 0.5 * 14.0) / 24.0f64).exp());
}

#[test]
fn a_job_is_left_out_of_its_own_offset() {
    let (counts, weights) = (small(), told());
    let odds = CategoryOdds::new(&counts, &weights, &settings()).unwrap();
    let with = GroupCounts { jobs: vec![(0, 3), (1, 1)], faults: vec![(0, 3), (1, 1)] };
    let without = GroupCounts { jobs: vec![(0, 2), (1, 1)], faults: vec![(0, 2), (1, 1)] };
    let left_out = odds.offset(&odds.kind(&[Some(&with), None, Some(&with)]), Some(0), Some(0));
    let counted = odds.offset(&odds.kind(&[Some(&without), None, Some(&without)]), Some(0), None);
    left_out.iter().zip(counted).for_each(|(a, b)| close(*a, b));
}

#[test]
fn without_ages_the_chain_is_a_dirichlet_back_off() {
    let mut counts = small();
    for row in &mut counts.faults_by_age {
        *row = vec![0, 0, row.iter().sum()];
    }
    let brand = GroupCounts { jobs: vec![(2, 10)], faults: vec![(0, 9), (1, 1)] };
    let model = GroupCounts { jobs: vec![(2, 4)], faults: vec![(0, 4)] };
    let p = 10.0 / 24.0;
    let of_brand = (9.0 + 6.0 * p) / 16.0;
    let of_model = (4.0 + 6.0 * of_brand) / 10.0;
    let question = Question { groups: [Some(&brand), None, Some(&model)], ..Question::default() };
    close(first(&counts, &settings(), &question), of_model);
}

#[test]
fn intervals_hold_the_estimate_and_narrow_with_jobs() {
    let mut width = f64::INFINITY;
    for times in [1, 10, 100] {
        let mut counts = small();
        counts.faults_by_age.iter_mut().flatten().for_each(|n| *n *= times);
        let mut weights = told();
        weights.variances.iter_mut().chain([&mut weights.intercept_variance]).flatten().for_each(|v| *v /= f64::from(times));
        let odds = CategoryOdds::new(&counts, &weights, &settings()).unwrap();
        let said = Said { features: vec![0], unknown_words: 0 };
        let answer = odds.answer(&Question { age_band: Some(1), complaint: Some(&said), ..Question::default() }, 0.95).unwrap();
        assert!((answer.iter().map(|odds| odds.estimate).sum::<f64>() - 1.0).abs() < 1e-12);
        for odds in &answer {
            assert!(0.0 <= odds.lower && odds.lower < odds.estimate && odds.estimate < odds.upper && odds.upper <= 1.0, "{odds:?}");
        }
        assert!(answer[0].upper - answer[0].lower < width);
        width = answer[0].upper - answer[0].lower;
    }
}

#[test]
fn refuses_what_it_cannot_answer() {
    let none = Weights::none(0, 0);
    assert_eq!(CategoryOdds::new(&CategoryCounts::default(), &none, &settings()).err(), Some(CannotEstimate::NoObservations));
    let (weights, counts) = (told(), small());
    let empty = CategoryCounts { faults_by_age: vec![vec![0; 3]; 2] };
    assert_eq!(CategoryOdds::new(&empty, &weights, &settings()).err(), Some(CannotEstimate::NoObservations));
    let uneven = CategoryCounts { faults_by_age: vec![vec![1, 2], vec![1]] };
    assert!(matches!(CategoryOdds::new(&uneven, &weights, &settings()), Err(CannotEstimate::InvalidInput(_))));
    assert!(matches!(CategoryOdds::new(&counts, &Weights::none(3, 1), &settings()), Err(CannotEstimate::InvalidInput(_))));
    let odds = CategoryOdds::new(&counts, &weights, &settings()).unwrap();
    let beyond = Said { features: vec![2], unknown_words: 0 };
    let strange = GroupCounts { jobs: vec![(0, 1)], faults: vec![(9, 1)] };
    for question in [
        Question { age_band: Some(2), ..Question::default() },
        Question { complaint: Some(&beyond), ..Question::default() },
        Question { groups: [Some(&strange), None, None], ..Question::default() },
    ] {
        assert!(matches!(odds.answer(&question, 0.95), Err(CannotEstimate::InvalidInput(_))), "{question:?}");
    }
    assert!(odds.answer(&Question::default(), 1.0).is_err());
    assert_eq!(fit(&[], &[]), Err(CannotEstimate::NoObservations));
}

/// A world of one category: 5 components, 4 bands, 6 symptoms, 12 models that differ.
struct World {
    by_model_and_age: Vec<Vec<Vec<f64>>>,
    symptom: Vec<Vec<f64>>,
}

const COMPONENTS: usize = 5;
const BANDS: usize = 4;
const SYMPTOMS: usize = 6;
const MODELS: usize = 12;

impl World {
    fn new(random: &mut Pcg64Mcg) -> Self {
        let mut shares = |count: usize, spread: f64| {
            let weights: Vec<f64> = (0..count).map(|_| (spread * random.random_range(-1.0..1.0f64)).exp()).collect();
            let total: f64 = weights.iter().sum();
            weights.iter().map(|weight| weight / total).collect::<Vec<f64>>()
        };
        let symptom = (0..COMPONENTS).map(|_| shares(SYMPTOMS, 2.0)).collect();
        let by_age: Vec<Vec<f64>> = (0..BANDS).map(|_| shares(COMPONENTS, 1.0)).collect();
        let by_model_and_age = (0..MODELS)
            .map(|_| {
                let ratios = shares(COMPONENTS, 0.7);
                by_age
                    .iter()
                    .map(|share| {
                        let weights: Vec<f64> = share.iter().zip(&ratios).map(|(s, r)| s * r).collect();
                        let total: f64 = weights.iter().sum();
                        weights.iter().map(|weight| weight / total).collect()
                    })
                    .collect()
            })
            .collect();
        Self { by_model_and_age, symptom }
    }

    fn job(&self, random: &mut Pcg64Mcg) -> (usize, usize, usize, usize) {
        let (model, band) = (random.random_range(0..MODELS), random.random_range(0..BANDS));
        let component = draw(&self.by_model_and_age[model][band], random);
        (model, band, component, draw(&self.symptom[component], random))
    }

    fn truth(&self, model: usize, band: usize, symptom: usize) -> Vec<f64> {
        let weights: Vec<f64> = (0..COMPONENTS).map(|k| self.by_model_and_age[model][band][k] * self.symptom[k][symptom]).collect();
        let total: f64 = weights.iter().sum();
        weights.iter().map(|weight| weight / total).collect()
    }
}

fn draw(shares: &[f64], random: &mut Pcg64Mcg) -> usize {
    let mut left = random.random_range(0.0..1.0);
    shares
        .iter()
        .position(|share| {
            left -= share;
            left < 0.0
        })
        .unwrap_or(shares.len() - 1)
}

/// Model, age band, component and symptom of each job.
type Jobs = Vec<(usize, usize, usize, usize)>;

fn count(jobs: &Jobs) -> (CategoryCounts, Vec<GroupCounts>) {
    let mut counts = CategoryCounts { faults_by_age: vec![vec![0; BANDS + 1]; COMPONENTS] };
    let mut models =
        vec![GroupCounts { jobs: (0..BANDS).map(|b| (b, 0)).collect(), faults: (0..COMPONENTS).map(|k| (k, 0)).collect() }; MODELS];
    for (model, band, component, _) in jobs {
        counts.faults_by_age[*component][*band] += 1;
        models[*model].jobs[*band].1 += 1;
        models[*model].faults[*component].1 += 1;
    }
    (counts, models)
}

fn learn(counts: &CategoryCounts, models: &[GroupCounts], jobs: &Jobs, settings: &Settings) -> Weights {
    let none = Weights::none(COMPONENTS, 0);
    let odds = CategoryOdds::new(counts, &none, settings).unwrap();
    let told: Vec<Job> = jobs
        .iter()
        .map(|(model, band, fault, symptom)| Job {
            offset: odds.offset(&odds.kind(&[None, None, Some(&models[*model])]), Some(*band), Some(*fault)),
            features: vec![*symptom],
            fault: *fault,
            jobs: 1,
        })
        .collect();
    Weights::fitted(COMPONENTS, SYMPTOMS, &told).unwrap()
}

#[test]
fn fitted_on_simulated_jobs_it_comes_close_to_the_truth_and_its_intervals_hold_it() {
    let mut random = Pcg64Mcg::seed_from_u64(11);
    let (mut within, mut asked, mut excess) = (0, 0, 0.0);
    let worlds = 8;
    for _ in 0..worlds {
        let world = World::new(&mut random);
        let jobs: Jobs = (0..3_000).map(|_| world.job(&mut random)).collect();
        let (counts, models) = count(&jobs);
        let told: Jobs = (0..1_000).map(|_| world.job(&mut random)).collect();
        let held_out = |with_complaint: bool| -> Vec<HeldOut> {
            let ask = |(kind, band, fault, symptom): &(usize, usize, usize, usize)| HeldOut {
                category: 0,
                kind: *kind,
                age_band: Some(*band),
                complaint: with_complaint.then(|| Said { features: vec![*symptom], unknown_words: 0 }),
                fault: *fault,
                jobs: 1,
            };
            told.iter().map(ask).collect()
        };
        let training =
            |weights| [Training { counts: &counts, weights, kinds: models.iter().map(|model| [None, None, Some(model)]).collect() }];
        let none = Weights::none(COMPONENTS, 0);
        let fitted = fit(&training(&none), &held_out(false)).unwrap();
        let likelihood = |settings: &Settings| log_likelihood(&training(&none), &held_out(false), settings).unwrap();
        assert!(likelihood(&fitted) >= likelihood(&Settings::default()) - 0.5, "fitting made it worse");
        let weights = learn(&counts, &models, &jobs, &fitted);
        let best: f64 = told.iter().map(|(model, band, fault, symptom)| world.truth(*model, *band, *symptom)[*fault].ln()).sum();
        excess += (best - log_likelihood(&training(&weights), &held_out(true), &fitted).unwrap()) / told.len() as f64;
        let odds = CategoryOdds::new(&counts, &weights, &fitted).unwrap();
        for (model, band, symptom) in
            (0..200).map(|_| (random.random_range(0..MODELS), random.random_range(0..BANDS), random.random_range(0..SYMPTOMS)))
        {
            let said = Said { features: vec![symptom], unknown_words: 0 };
            let question = Question { groups: [None, None, Some(&models[model])], age_band: Some(band), complaint: Some(&said) };
            let answer = odds.answer(&question, 0.95).unwrap();
            for (found, truth) in answer.iter().zip(world.truth(model, band, symptom)) {
                asked += 1;
                within += usize::from(found.lower <= truth && truth <= found.upper);
            }
        }
    }
    let (coverage, excess) = (f64::from(within as u32) / f64::from(asked as u32), excess / f64::from(worlds));
    println!("coverage {coverage:.3}, log loss above the best possible {excess:.4}");
    assert!(excess < 0.02, "log loss {excess} above the best possible");
    assert!((0.93..=0.98).contains(&coverage), "{coverage} of intervals hold the true probability");
}

/// `tests/reference/fault_odds_complaint.py` maximises with scipy; ours are rounded to hundredths.
#[test]
fn weights_are_those_of_an_outside_optimiser() {
    let reference: serde_json::Value = serde_json::from_str(include_str!("../../../tests/reference/fault_odds_complaint.json")).unwrap();
    let numbers = |value: &serde_json::Value| value.as_array().unwrap().iter().map(|n| n.as_f64().unwrap()).collect::<Vec<f64>>();
    let jobs: Vec<Job> = reference["jobs"]
        .as_array()
        .unwrap()
        .iter()
        .map(|job| Job {
            offset: numbers(&job["offset"]),
            features: numbers(&job["features"]).into_iter().map(|feature| feature as usize).collect(),
            fault: job["fault"].as_u64().unwrap() as usize,
            jobs: 1,
        })
        .collect();
    let found = Weights::fitted(3, 4, &jobs).unwrap();
    let rows = |name: &str| reference[name].as_array().unwrap().iter().map(numbers).collect::<Vec<_>>();
    let found_rows = found.features.iter().chain([&found.intercept]);
    for (own, theirs) in found_rows.zip(rows("weights")) {
        assert!(own.iter().zip(&theirs).all(|(a, b)| (a - b).abs() < 0.01), "{own:?} instead of {theirs:?}");
    }
    for (own, theirs) in found.variances.iter().chain([&found.intercept_variance]).zip(rows("variances")) {
        assert!(own.iter().zip(&theirs).all(|(a, b)| (a / b - 1.0).abs() < 0.06), "{own:?} instead of {theirs:?}");
    }
}
