//! Strengths fitted on one year, skill measured on the next.

use std::collections::BTreeMap;

use fixodds_estimators::fault_odds::complaint::inflation;
use fixodds_estimators::fault_odds::fit::{HeldOut, Training, each_answer, fit};
use fixodds_estimators::fault_odds::skill::{CALIBRATION_BINS, GainTally, SkillTally};
use fixodds_estimators::fault_odds::{GroupCounts, Settings};
use fixodds_estimators::{CONFIDENCE, CannotEstimate, Interval};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::Category;
use super::complaints::{Features, learn};
use super::counting::count;
use super::records::{Origin, Period, Record, Records};
use crate::evidence_rows::Estimated;

/// Fitting looks at no more different questions than this, evenly spaced: more would not move the strengths.
const MOST_QUESTIONS: usize = 10_000;
/// Complaints of the last year that the learning curve can be read from.
const FEWEST_COMPLAINTS: u32 = 300;

/// One measure of skill.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SkillRow {
    /// None: all categories together.
    pub category: Option<String>,
    pub predictor: String,
    pub statistic: String,
    /// Where the symptoms of the jobs come from; none: all jobs together.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub symptoms_origin: Option<String>,
    /// Edges of the calibration group and the mean probability stated in it.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub calibration: Option<[f64; 3]>,
    pub jobs: u64,
    pub training_jobs: u64,
    pub estimated: Result<Interval, CannotEstimate>,
}

/// What a predictor may know beside the category.
#[derive(Debug, Clone, Copy)]
struct Predictor {
    name: &'static str,
    kind: bool,
    age: bool,
    symptoms: bool,
}

const FULL: Predictor = Predictor { name: "fault_odds", kind: true, age: true, symptoms: true };
const LESS: [Predictor; 4] = [
    Predictor { name: "base_frequencies", kind: false, age: false, symptoms: false },
    Predictor { name: "without_symptoms", symptoms: false, ..FULL },
    Predictor { name: "without_age", age: false, ..FULL },
    Predictor { name: "without_kind", kind: false, ..FULL },
];

/// The settings for answering, fitted on the last twelve months, and how many jobs they rest on.
pub fn settings_for_use(records: &Records) -> (Settings, u64) {
    fitted(records, Period::LastYear)
}

/// Settings under which the jobs of one period are most likely, given those before; the defaults where there are none to fit on.
pub(super) fn fitted(records: &Records, period: Period) -> (Settings, u64) {
    let before = count(records, |record| record.period < period);
    let known = |record: &&Record| before[record.category].jobs() > 0;
    let held_out: Vec<&Record> = records.records.iter().filter(|record| record.period == period).filter(known).collect();
    let step = held_out.len().div_ceil(MOST_QUESTIONS).max(1);
    // What complaints tell is fitted afterwards, on top of kind and age.
    let held_out: Vec<HeldOut> = held_out.into_iter().step_by(step).map(|record| asked(record, FULL, None)).collect();
    match fit(&training(records, &before), &held_out) {
        Ok(settings) => (settings, held_out.iter().map(|asked| u64::from(asked.jobs)).sum()),
        Err(_) => (Settings::default(), 0),
    }
}

fn training<'a>(records: &Records, counts: &'a [Category]) -> Vec<Training<'a>> {
    let kinds = |(keys, category): (&super::records::CategoryKeys, &'a Category)| {
        let groups = |kind: &super::records::Kind| -> [Option<&'a GroupCounts>; 3] {
            category.groups(kind.brand.as_deref(), kind.platform.as_deref(), kind.model.as_deref())
        };
        // One more kind at the end, of which nothing is known.
        let kinds = keys.kinds.iter().map(groups).chain([[None; 3]]).collect();
        Training { counts: &category.counts, weights: &category.complaint, kinds }
    };
    records.categories.iter().zip(counts).map(kinds).collect()
}

fn asked(record: &Record, predictor: Predictor, features: Option<&Features>) -> HeldOut {
    HeldOut {
        category: record.category,
        kind: record.kind,
        age_band: record.age_band.filter(|_| predictor.age),
        complaint: features.filter(|_| predictor.symptoms).and_then(|features| features.said(record)),
        fault: record.fault,
        jobs: record.jobs,
    }
}

/// Which jobs a tally is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Of {
    All,
    Category(usize),
    Origin(Origin),
}

impl Of {
    /// All tallies that a record belongs to.
    fn record(record: &Record) -> [Self; 3] {
        [Self::All, Self::Category(record.category), Self::Origin(record.origin)]
    }
}

type Tallies<T> = BTreeMap<Of, T>;

/// How much too narrow the variances of complaints' weights are ([`inflation`]); none where too few complaints can be held against them.
/// `before` was counted and learnt from the jobs before the last twelve months.
fn inflation_of(records: &Records, before: &[Category], features: &[Features], settings: &Settings) -> Option<f64> {
    let told: Vec<&Record> =
        records.records.iter().filter(|record| record.period == Period::LastYear && record.origin == Origin::Complaint).collect();
    let told: Vec<&Record> = told.iter().step_by(told.len().div_ceil(MOST_QUESTIONS).max(1)).copied().collect();
    let jobs: u32 = told.iter().map(|record| record.jobs).sum();
    if jobs < FEWEST_COMPLAINTS {
        return None;
    }
    let log_loss = |categories: &[Category], features: &[Features]| -> Option<(f64, f64)> {
        let (mut loss, mut implied) = (0.0, 0.0);
        let questions: Vec<HeldOut> = told.iter().map(|record| asked(record, FULL, Some(&features[record.category]))).collect();
        let training = training(records, categories);
        each_answer(&training, &questions, settings, &mut |asked, probabilities| {
            let times = f64::from(asked.jobs);
            loss -= times * probabilities[asked.fault].ln();
            let weights = &categories[asked.category].complaint;
            implied += asked.complaint.as_ref().map_or(0.0, |said| times * weights.implied_loss(said, probabilities));
        })
        .ok()?;
        Some((loss / f64::from(jobs), implied / f64::from(jobs)))
    };
    let half = |first: bool| {
        let wanted = |record: &Record| record.period < Period::LastYear && record.in_first_half == first;
        let mut half = count(records, wanted);
        learn(records, &mut half, settings, wanted);
        let features: Vec<Features> = records.categories.iter().zip(&half).map(|(keys, category)| Features::new(keys, category)).collect();
        log_loss(&half, &features)
    };
    let (first, second) = rayon::join(|| half(true), || half(false));
    let (all, implied) = log_loss(before, features)?;
    Some(inflation((first?.0 + second?.0) / 2.0 - all, implied))
}

/// How well the time before the last twelve months foretells them (nothing where either holds no job), and the inflation found there.
pub fn skill(records: &Records) -> (Vec<SkillRow>, Option<f64>) {
    let (settings, _) = fitted(records, Period::LastYearButOne);
    let is_before = |record: &Record| record.period < Period::LastYear;
    let mut before = count(records, is_before);
    learn(records, &mut before, &settings, is_before);
    let features: Vec<Features> = records.categories.iter().zip(&before).map(|(keys, category)| Features::new(keys, category)).collect();
    let training = training(records, &before);
    let test: Vec<&Record> = records.records.iter().filter(|record| record.period == Period::LastYear).collect();
    if test.is_empty() || before.iter().all(|category| category.jobs() == 0) {
        return (Vec::new(), None);
    }
    let questions = |predictor: Predictor| -> Vec<HeldOut> {
        let kind = |record: &Record| if predictor.kind { record.kind } else { records.categories[record.category].kinds.len() };
        test.iter().map(|record| HeldOut { kind: kind(record), ..asked(record, predictor, Some(&features[record.category])) }).collect()
    };
    let answers = |predictor: Predictor| {
        let mut tallies: Tallies<SkillTally> = BTreeMap::new();
        let mut given = Vec::with_capacity(test.len());
        // Positions all come from the records that were counted.
        let mut records = test.iter();
        let answered = each_answer(&training, &questions(predictor), &settings, &mut |asked, probabilities| {
            given.push(probabilities[asked.fault]);
            for of in records.next().into_iter().flat_map(|record| Of::record(record)) {
                tallies.entry(of).or_default().add(probabilities, asked.fault, asked.jobs);
            }
        });
        answered.map(|()| (tallies, given))
    };
    let training_jobs = |of: Of| match of {
        Of::Category(category) => u64::from(before[category].jobs()),
        Of::All | Of::Origin(_) => before.iter().map(|category| u64::from(category.jobs())).sum(),
    };
    let row = |of: Of, predictor: Predictor, statistic: &str, jobs, estimated: Estimated| SkillRow {
        category: if let Of::Category(category) = of { Some(records.categories[category].key.clone()) } else { None },
        predictor: predictor.name.to_owned(),
        statistic: statistic.to_owned(),
        symptoms_origin: if let Of::Origin(origin) = of { Some(origin.code().to_owned()) } else { None },
        calibration: None,
        jobs,
        training_jobs: training_jobs(of),
        estimated,
    };
    let Ok((full, full_given)) = answers(FULL) else { return (Vec::new(), None) };
    let mut rows = Vec::new();
    for (of, tally) in &full {
        rows.extend(statistics(tally).map(|(name, estimated)| row(*of, FULL, name, tally.jobs, estimated)));
        rows.extend(
            calibration(tally)
                .map(|(groups, jobs, estimated)| SkillRow { calibration: Some(groups), ..row(*of, FULL, "calibration", jobs, estimated) }),
        );
    }
    let less: Vec<_> = LESS.par_iter().map(|predictor| (*predictor, answers(*predictor))).collect();
    for (predictor, answered) in less {
        let Ok((tallies, given)) = answered else { return (Vec::new(), None) };
        let mut gains: Tallies<GainTally> = BTreeMap::new();
        for ((record, first), second) in test.iter().zip(&full_given).zip(&given) {
            for of in Of::record(record) {
                gains.entry(of).or_default().add(*first, *second, record.jobs);
            }
        }
        for (of, tally) in &tallies {
            rows.extend(statistics(tally).map(|(name, estimated)| row(*of, predictor, name, tally.jobs, estimated)));
            rows.push(row(*of, predictor, "log_loss_gain", tally.jobs, gains[of].gain(CONFIDENCE)));
        }
    }
    (rows, inflation_of(records, &before, &features, &settings))
}

fn statistics(tally: &SkillTally) -> impl Iterator<Item = (&'static str, Estimated)> {
    [
        ("log_loss", tally.log_loss(CONFIDENCE)),
        ("top_1", tally.top_1(CONFIDENCE)),
        ("top_3", tally.top_3(CONFIDENCE)),
        ("expected_calibration_error", tally.expected_calibration_error(CONFIDENCE)),
    ]
    .into_iter()
}

/// Groups that hold jobs: edges with mean stated probability, jobs, observed share.
fn calibration(tally: &SkillTally) -> impl Iterator<Item = ([f64; 3], u64, Estimated)> {
    let width = 1.0 / CALIBRATION_BINS as f64;
    tally.bins.iter().enumerate().filter(|(_, bin)| bin.jobs > 0).map(move |(position, bin)| {
        let from = position as f64 * width;
        let observed = fixodds_estimators::binomial::wilson(bin.hits, bin.jobs, CONFIDENCE);
        ([from, from + width, bin.probability_sum / bin.jobs as f64], bin.jobs, observed)
    })
}
