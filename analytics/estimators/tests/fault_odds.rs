//! The fault odds worked by hand, at their limits, on refused input, and on simulated jobs with known truth.

use fixodds_estimators::CannotEstimate;
use fixodds_estimators::fault_odds::fit::{HeldOut, Training, fit, log_likelihood};
use fixodds_estimators::fault_odds::{CategoryCounts, CategoryOdds, GroupCounts, Question, Settings};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// Two components, two age bands and an unknown age, two symptoms.
fn small() -> CategoryCounts {
    CategoryCounts {
        faults_by_age: vec![vec![6, 2, 0], vec![2, 10, 0]],
        mentions: vec![vec![7, 1], vec![2, 10]],
        mentions_elsewhere: vec![vec![0, 0], vec![3, 1]],
        all_mentions_elsewhere: vec![0, 4],
    }
}

fn settings() -> Settings {
    Settings {
        category_strength: 4.0,
        group_strengths: [6.0, 6.0, 6.0],
        age_strength: 4.0,
        age_reach: 0.5,
        elsewhere_strength: 4.0,
        symptom_strength: 2.0,
        symptom_exponent: 1.0,
    }
}

fn close(found: f64, expected: f64) {
    assert!((found - expected).abs() < 1e-12, "{found} instead of {expected}");
}

fn first(counts: &CategoryCounts, settings: &Settings, question: &Question<'_>) -> f64 {
    CategoryOdds::new(counts, settings).unwrap().answer(question, 0.95).unwrap()[0].estimate
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
    let question = Question { groups: [None, None, Some(&model)], age_band: Some(0), symptoms: &[] };
    close(first(&counts, &settings(), &question), young * ratio / (young * ratio + young_other * ratio_other));
    // First symptom: 9.5/21 of mentions. Own 7 of 8, nothing elsewhere; the other 2 of 12, and 3 of 4 elsewhere.
    let common = 9.5 / 21.0;
    let (likelihood, likelihood_other) = ((7.0 + 2.0 * common) / 10.0, (2.0 + 3.0 + 2.0 * common) / 18.0);
    let question = Question { symptoms: &[0], ..Question::default() };
    close(first(&counts, &settings(), &question), p * likelihood / (p * likelihood + q * likelihood_other));
    // A symptom exponent of one half takes the square root of both.
    let tempered = Settings { symptom_exponent: 0.5, ..settings() };
    let (root, root_other) = (likelihood.sqrt(), likelihood_other.sqrt());
    close(first(&counts, &tempered, &question), p * root / (p * root + q * root_other));
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
        counts.faults_by_age.iter_mut().chain(&mut counts.mentions).flatten().for_each(|n| *n *= times);
        let odds = CategoryOdds::new(&counts, &settings()).unwrap();
        let answer = odds.answer(&Question { age_band: Some(1), symptoms: &[1], ..Question::default() }, 0.95).unwrap();
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
    assert_eq!(CategoryOdds::new(&CategoryCounts::default(), &settings()).err(), Some(CannotEstimate::NoObservations));
    let empty = CategoryCounts { faults_by_age: vec![vec![0; 3]; 2], ..small() };
    assert_eq!(CategoryOdds::new(&empty, &settings()).err(), Some(CannotEstimate::NoObservations));
    let uneven = CategoryCounts { mentions: vec![vec![1, 2]], ..small() };
    assert!(matches!(CategoryOdds::new(&uneven, &settings()), Err(CannotEstimate::InvalidInput(_))));
    let odds = CategoryOdds::new(&small(), &settings()).unwrap();
    let strange = GroupCounts { jobs: vec![(0, 1)], faults: vec![(9, 1)] };
    for question in [
        Question { age_band: Some(2), ..Question::default() },
        Question { symptoms: &[2], ..Question::default() },
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

fn count(world: &World, jobs: usize, random: &mut Pcg64Mcg) -> (CategoryCounts, Vec<GroupCounts>) {
    let mut counts = CategoryCounts {
        faults_by_age: vec![vec![0; BANDS + 1]; COMPONENTS],
        mentions: vec![vec![0; SYMPTOMS]; COMPONENTS],
        mentions_elsewhere: vec![vec![0; SYMPTOMS]; COMPONENTS],
        all_mentions_elsewhere: vec![0; COMPONENTS],
    };
    let mut models =
        vec![GroupCounts { jobs: (0..BANDS).map(|b| (b, 0)).collect(), faults: (0..COMPONENTS).map(|k| (k, 0)).collect() }; MODELS];
    for _ in 0..jobs {
        let (model, band, component, symptom) = world.job(random);
        counts.faults_by_age[component][band] += 1;
        counts.mentions[component][symptom] += 1;
        models[model].jobs[band].1 += 1;
        models[model].faults[component].1 += 1;
    }
    (counts, models)
}

#[test]
fn fitted_on_simulated_jobs_it_comes_close_to_the_truth_and_its_intervals_hold_it() {
    let mut random = Pcg64Mcg::seed_from_u64(11);
    let (mut within, mut asked, mut excess) = (0, 0, 0.0);
    let worlds = 8;
    for _ in 0..worlds {
        let world = World::new(&mut random);
        let (counts, models) = count(&world, 3_000, &mut random);
        let held_out: Vec<HeldOut> = (0..1_000)
            .map(|_| {
                let (kind, band, fault, symptom) = world.job(&mut random);
                HeldOut { category: 0, kind, age_band: Some(band), symptoms: vec![symptom], fault, jobs: 1 }
            })
            .collect();
        let training = [Training { counts: &counts, kinds: models.iter().map(|model| [None, None, Some(model)]).collect() }];
        let fitted = fit(&training, &held_out).unwrap();
        let likelihood = |settings: &Settings| log_likelihood(&training, &held_out, settings).unwrap();
        assert!(likelihood(&fitted) >= likelihood(&Settings::default()) - 0.5, "fitting made it worse");
        let best: f64 = held_out.iter().map(|job| world.truth(job.kind, job.age_band.unwrap(), job.symptoms[0])[job.fault].ln()).sum();
        excess += (best - likelihood(&fitted)) / held_out.len() as f64;
        let odds = CategoryOdds::new(&counts, &fitted).unwrap();
        for (model, band, symptom) in
            (0..200).map(|_| (random.random_range(0..MODELS), random.random_range(0..BANDS), random.random_range(0..SYMPTOMS)))
        {
            let question = Question { groups: [None, None, Some(&models[model])], age_band: Some(band), symptoms: &[symptom] };
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
    assert!(coverage > 0.90, "{coverage} of intervals hold the true probability");
}
