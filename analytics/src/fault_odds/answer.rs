//! The answer to one question: what can hurt somebody, odds, what they rest on, the order of checks, what goes with the likeliest faults.

use fixodds_estimators::fault_odds::complaint::Said;
use fixodds_estimators::fault_odds::{CategoryOdds, Question};
use fixodds_estimators::search_order::{Check, DeadFirst, comparable, dead_checks_first};
use fixodds_estimators::{CONFIDENCE, CannotEstimate, Interval};
use fixodds_schemas::vocabulary::vocabulary;
use serde::Serialize;

use super::economics_answer::economics;
use super::safety::{is_checked_dead, is_emergency};
use super::{Category, Consequence, EconomicsAnswer, FaultOdds, RepairScope};

/// Minutes that checking a component takes where the vocabulary does not say (common practice, no source).
pub const DEFAULT_CHECK_MINUTES: f64 = 15.0;
/// Part of a subunit's shortest check that goes into getting at it, and serves every further check there (common practice, no source).
pub const OPENING_PART: f64 = 0.5;
/// How much of the probability a list of checks should cover.
const MOST_OF_IT: f64 = 0.9;
/// Faults whose consequences are told.
const FAULTS_WITH_CONSEQUENCES: usize = 3;

/// A machine and what is wrong with it, in keys of one category.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Asked {
    pub category: String,
    pub brand: Option<String>,
    pub platform: Option<String>,
    pub model: Option<String>,
    pub age_years: Option<f64>,
    pub symptoms: Vec<String>,
    /// Words of the complaint beside its symptoms.
    pub words: Vec<String>,
    /// Price of a new machine; the catalogue's where it is not given.
    pub price_new: Option<f64>,
    /// What the machine would fetch once mended.
    pub value_mended: Option<f64>,
}

/// Jobs with a known fault at each level that the odds draw on; none where the level is unknown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Basis {
    pub model_jobs: Option<u32>,
    pub platform_jobs: Option<u32>,
    pub brand_jobs: Option<u32>,
    pub category_jobs: u32,
    /// Jobs of the category in the age band, all ages together where no age was given.
    pub age_band_jobs: u32,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ComponentOdds {
    pub component: String,
    pub probability: Interval,
}

/// Something that was said, and what it tells.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Mention {
    /// Key of a symptom, or a word that counts.
    pub said: String,
    pub is_symptom: bool,
    /// Jobs of the category whose complaint holds it.
    pub jobs: u32,
    /// By how much it multiplies the odds of the likeliest component, all else that was said being equal.
    pub odds_ratio: f64,
}

/// One check in the order that finds the fault soonest on average, all dead checks before all live ones.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CheckStep {
    pub component: String,
    /// Key of the part of the machine that has to be got at.
    pub subunit: String,
    /// Whether this check is the first there.
    pub opens: bool,
    /// Whether it is done under power.
    pub live: bool,
    /// Minutes it takes, getting at it included.
    pub minutes: f64,
    pub minutes_elapsed: f64,
    pub probability_found: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Answer {
    /// Keys of the symptoms asked for that are emergencies: what to do comes before anything else.
    pub emergencies: Vec<String>,
    pub asked: Asked,
    pub basis: Basis,
    /// Edges of the age band in years; the last band has no upper edge.
    pub age_band: Option<(f64, Option<f64>)>,
    /// All components of the category, the likeliest first.
    pub odds: Vec<ComponentOdds>,
    /// What was said and counts: symptoms, then words.
    pub mentions: Vec<Mention>,
    /// Words that no record holds often enough to tell anything.
    pub unknown_words: usize,
    /// Keys of what is looked at first, since it costs nothing.
    pub first_looks: Vec<String>,
    pub checks: Vec<CheckStep>,
    pub expected_minutes: f64,
    /// How many of those minutes are the price of doing all dead checks before live ones.
    pub dead_first_minutes: f64,
    /// How many checks, in this order, find the fault with a probability of 90 %.
    pub checks_to_90_percent: usize,
    /// Damage that goes with the likeliest faults more often than with others.
    pub consequences: Vec<Consequence>,
    /// Return of those faults, by what was replaced.
    pub repair_scopes: Vec<RepairScope>,
    /// Keys of the cautions for the machine, what is reported of it and all that is to be checked, in the order of reading.
    pub cautions: Vec<String>,
    /// Keys of the tests after any repair.
    pub closing_tests: Vec<String>,
    pub economics: EconomicsAnswer,
}

impl FaultOdds {
    /// Answers a question; keys that the records do not have count as not known.
    ///
    /// # Errors
    /// The records hold no job of that category, or a symptom is none of its. An emergency counts as a symptom where it is on record.
    pub fn answer(&self, asked: Asked) -> Result<Answer, CannotEstimate> {
        let category = self.category(&asked.category).ok_or(CannotEstimate::NoObservations)?;
        let symptoms: Vec<String> =
            asked.symptoms.iter().filter(|key| category.symptoms.contains(key) || !is_emergency(key)).cloned().collect();
        if symptoms.iter().any(|key| !category.symptoms.contains(key)) {
            return Err(CannotEstimate::InvalidInput("a symptom that no record of the category mentions".to_owned()));
        }
        let said = category.said(&symptoms, &asked.words, asked.brand.as_deref());
        let groups = category.groups(asked.brand.as_deref(), asked.platform.as_deref(), asked.model.as_deref());
        let band = asked.age_years.and_then(|age| self.age_band(age));
        let question = Question { groups, age_band: band.map(|(position, ..)| position), complaint: said.as_ref() };
        let probabilities = CategoryOdds::new(&category.counts, &category.complaint, &self.settings)?.answer(&question, CONFIDENCE)?;
        let nothing = Said::default();
        let heard = said.as_ref().unwrap_or(&nothing);
        let (order, subunits) = order(category, &probabilities)?;
        let [brand_jobs, platform_jobs, model_jobs] = groups.map(|group| group.map(fixodds_estimators::fault_odds::GroupCounts::total));
        let in_band = |row: &Vec<u32>| question.age_band.map_or_else(|| row.iter().sum(), |band| row[band]);
        let basis = Basis {
            model_jobs,
            platform_jobs,
            brand_jobs,
            category_jobs: category.jobs(),
            age_band_jobs: category.counts.faults_by_age.iter().map(in_band).sum::<u32>(),
        };
        let mut by_odds: Vec<usize> = (0..probabilities.len()).collect();
        by_odds.sort_by(|a, b| comparable(probabilities[*b].estimate).total_cmp(&comparable(probabilities[*a].estimate)));
        by_odds.truncate(FAULTS_WITH_CONSEQUENCES);
        let economics = economics(category, &asked, question.age_band, &probabilities, &by_odds)?;
        let mut odds: Vec<ComponentOdds> = category
            .components
            .iter()
            .zip(&probabilities)
            .map(|(component, probability)| ComponentOdds { component: component.clone(), probability: *probability })
            .collect();
        odds.sort_by(|a, b| comparable(b.probability.estimate).total_cmp(&comparable(a.probability.estimate)));
        let likeliest: Vec<&str> = odds.iter().take(FAULTS_WITH_CONSEQUENCES).map(|odds| odds.component.as_str()).collect();
        let to_most = order.steps.iter().position(|step| step.probability_found >= MOST_OF_IT).map_or(order.steps.len(), |at| at + 1);
        let checks = steps(category, &order, &subunits);
        let cautioned = checks.iter().take(to_most).filter_map(|step| vocabulary().component(&step.component));
        let cautions = self.cautions(&asked, cautioned);
        let words = vocabulary();
        Ok(Answer {
            emergencies: asked.symptoms.iter().filter(|key| is_emergency(key)).cloned().collect(),
            first_looks: words.first_looks_of(&asked.category).map(|look| look.key.clone()).collect(),
            closing_tests: words.closing_tests_of(&asked.category).map(|test| test.key.clone()).collect(),
            basis,
            age_band: band.map(|(_, from, to)| (from, to)),
            consequences: of_components(&likeliest, &category.consequences, |found| &found.component)
                .filter(|found| found.lift_lower.is_some_and(|lift| lift > 1.0))
                .cloned()
                .collect(),
            repair_scopes: of_components(&likeliest, &category.repair_scopes, |found| &found.component).cloned().collect(),
            mentions: mentions(category, heard, &probabilities),
            unknown_words: heard.unknown_words,
            odds,
            checks,
            expected_minutes: order.expected_minutes,
            dead_first_minutes: order.dead_first_minutes,
            checks_to_90_percent: to_most,
            cautions,
            economics,
            asked,
        })
    }
}

/// What each thing that was said does to the odds of the likeliest component: without it, the others would have
/// `p_k exp(-w_jk)` in proportion.
fn mentions(category: &Category, said: &Said, probabilities: &[Interval]) -> Vec<Mention> {
    let likeliest =
        (0..probabilities.len()).max_by(|a, b| probabilities[*a].estimate.total_cmp(&probabilities[*b].estimate).then(b.cmp(a)));
    let Some(first) = likeliest else { return Vec::new() };
    let mention = |feature: &usize| {
        let weights = &category.complaint.features[*feature];
        let without = |k: usize| probabilities[k].estimate * (-weights[k]).exp();
        let others = |of: &dyn Fn(usize) -> f64| (0..probabilities.len()).filter(|k| *k != first).map(of).sum::<f64>();
        let odds = |of: &dyn Fn(usize) -> f64| of(first) / others(of);
        let ratio = odds(&|k| probabilities[k].estimate) / odds(&without);
        let symptoms = category.symptoms.len();
        Mention {
            said: category.symptoms.get(*feature).unwrap_or_else(|| &category.words[*feature - symptoms]).clone(),
            is_symptom: *feature < symptoms,
            jobs: category.mention_jobs[*feature],
            odds_ratio: if ratio.is_finite() { ratio } else { 1.0 },
        }
    };
    said.features.iter().map(mention).collect()
}

/// What is known of some components, in their order.
fn of_components<'a, T>(components: &'a [&str], known: &'a [T], component: fn(&T) -> &str) -> impl Iterator<Item = &'a T> {
    components.iter().flat_map(move |wanted| known.iter().filter(move |found| component(found) == *wanted))
}

/// Minutes a check takes by itself.
fn check_minutes(component: &str) -> f64 {
    vocabulary()
        .component(component)
        .map(|component| component.check_minutes)
        .filter(|minutes| *minutes > 0.0)
        .unwrap_or(DEFAULT_CHECK_MINUTES)
}

/// The best order of checks, and the subunit that each group stands for.
fn order<'a>(category: &'a Category, probabilities: &[Interval]) -> Result<(DeadFirst, Vec<&'a str>), CannotEstimate> {
    // A component that the vocabulary does not have is got at by itself.
    let subunit = |component: &'a String| vocabulary().component(component).map_or(component.as_str(), |known| known.subunit.as_str());
    let mut subunits: Vec<&str> = Vec::new();
    let mut shortest: Vec<f64> = Vec::new();
    let mut groups = Vec::with_capacity(category.components.len());
    for component in &category.components {
        let key = subunit(component);
        let group = subunits.iter().position(|known| *known == key).unwrap_or_else(|| {
            subunits.push(key);
            shortest.push(f64::INFINITY);
            subunits.len() - 1
        });
        shortest[group] = shortest[group].min(check_minutes(component));
        groups.push(group);
    }
    let opening: Vec<f64> = shortest.iter().map(|minutes| minutes * OPENING_PART).collect();
    let checks: Vec<Check> = category
        .components
        .iter()
        .zip(probabilities)
        .zip(&groups)
        .map(|((component, odds), group)| Check {
            probability: odds.estimate,
            minutes: check_minutes(component) - opening[*group],
            group: *group,
            live: !is_checked_dead(component),
        })
        .collect();
    Ok((dead_checks_first(&checks, &opening)?, groups.iter().map(|group| subunits[*group]).collect()))
}

fn steps(category: &Category, order: &DeadFirst, subunits: &[&str]) -> Vec<CheckStep> {
    let mut elapsed = 0.0;
    order
        .steps
        .iter()
        .map(|step| {
            let minutes = step.minutes_elapsed - elapsed;
            elapsed = step.minutes_elapsed;
            CheckStep {
                component: category.components[step.check].clone(),
                subunit: subunits[step.check].to_owned(),
                opens: step.opens,
                live: !is_checked_dead(&category.components[step.check]),
                minutes,
                minutes_elapsed: step.minutes_elapsed,
                probability_found: step.probability_found,
            }
        })
        .collect()
}
