//! The scenario made ready for fast drawing: indices instead of names.

use crate::records::{PartSource, Term};
use crate::scenario::{Scenario, ScenarioError, Weights};
use crate::weibull::Weibull;
use chrono::{Datelike, NaiveDate};
use rand::{Rng, RngExt, distr::weighted::WeightedIndex};

pub(crate) struct Weighted<T> {
    items: Vec<T>,
    index: WeightedIndex<f64>,
}

impl<T> Weighted<T> {
    pub fn new(place: &str, pairs: impl IntoIterator<Item = (T, f64)>) -> Result<Self, ScenarioError> {
        let (items, weights): (Vec<T>, Vec<f64>) = pairs.into_iter().unzip();
        let index = WeightedIndex::new(weights).map_err(|error| ScenarioError::Inconsistent {
            place: place.into(),
            fault: format!("weights cannot be drawn from ({error})"),
        })?;
        Ok(Self { items, index })
    }

    pub fn draw<R: Rng + ?Sized>(&self, rng: &mut R) -> &T {
        &self.items[rng.sample(&self.index)]
    }
}

pub(crate) struct ComponentInfo {
    pub key: Term,
    pub failure_modes: Vec<Term>,
    pub symptoms: Weighted<Term>,
    pub symptoms_in: Vec<(usize, Weighted<Term>)>,
    /// (component, probability) of what it damages.
    pub damages: Vec<(usize, f64)>,
    pub inside_sealed_drum: bool,
    /// Source weights for a machine of 6 years.
    pub sources: Vec<(PartSource, f64)>,
}

pub(crate) struct ModelInfo {
    pub category: usize,
    pub platform: usize,
    pub brand: Term,
    pub model: Term,
    pub sealed: bool,
    pub price_new: f64,
    /// Factor on part prices.
    pub price_factor: f64,
    pub first_sold_on: NaiveDate,
    pub last_sold_on: Option<NaiveDate>,
    pub popularity: f64,
    pub serial_prefix: String,
    /// The components fitted, with their hazards.
    pub fitted: Vec<(usize, Weibull)>,
}

pub(crate) struct CategoryInfo {
    pub key: Term,
    pub models: Vec<usize>,
    pub symptoms: Vec<Term>,
}

pub(crate) struct World {
    pub scenario: Scenario,
    pub categories: Vec<CategoryInfo>,
    pub category_shares: Weighted<usize>,
    pub components: Vec<ComponentInfo>,
    pub models: Vec<ModelInfo>,
    pub assembly: Term,
    pub condemned_reasons: Weighted<Term>,
    pub sealed_reasons: Weighted<Term>,
    pub declined_reasons: Weighted<Term>,
    pub repairable_reasons: Weighted<Term>,
    pub part_unavailable: Term,
}

impl World {
    pub fn new(scenario: Scenario) -> Result<Self, ScenarioError> {
        let component_index = |key: &str| scenario.components.iter().position(|c| c.key == key);
        let category_index = |key: &str| scenario.categories.iter().position(|c| c.key == key);

        let mut components = Vec::new();
        for c in &scenario.components {
            let mut symptoms_in = Vec::new();
            for (category, weights) in &c.symptoms_in {
                if let Some(index) = category_index(category) {
                    symptoms_in.push((index, terms(&c.key, weights)?));
                }
            }
            let damages = scenario.consequential.pairs.iter().filter(|p| p.primary == c.key);
            components.push(ComponentInfo {
                key: c.key.as_str().into(),
                failure_modes: c.failure_modes.iter().map(|m| m.as_str().into()).collect(),
                symptoms: terms(&c.key, &c.symptoms)?,
                symptoms_in,
                damages: damages.filter_map(|p| Some((component_index(&p.consequential)?, p.probability))).collect(),
                inside_sealed_drum: scenario.sealed.components.contains(&c.key),
                sources: PartSource::ALL
                    .into_iter()
                    .filter(|s| match s {
                        PartSource::Used => c.used_price.is_some(),
                        PartSource::Repaired => c.repaired_offered,
                        _ => true,
                    })
                    .map(|s| (s, scenario.parts.source_share.get(s.key()).copied().unwrap_or(0.0)))
                    .collect(),
            });
        }

        let mut categories: Vec<CategoryInfo> = Vec::new();
        for (index, c) in scenario.categories.iter().enumerate() {
            let mut symptoms: Vec<Term> = Vec::new();
            for component in scenario.components.iter().filter(|x| x.hazard.contains_key(&c.key)) {
                let weights = component.symptoms_in.get(&c.key).unwrap_or(&component.symptoms);
                symptoms.extend(weights.keys().map(|k| Term::from(k.as_str())));
            }
            symptoms.sort();
            symptoms.dedup();
            debug_assert_eq!(index, categories.len());
            categories.push(CategoryInfo { key: c.key.as_str().into(), models: Vec::new(), symptoms });
        }

        let mut models = Vec::new();
        for (platform_index, platform) in scenario.platforms.iter().enumerate() {
            let Some(category) = category_index(&platform.category) else { continue };
            let fitted: Vec<_> = scenario.components.iter().enumerate().filter_map(|(i, c)| Some((i, c.weibull_on(platform)?))).collect();
            for model in &platform.models {
                categories[category].models.push(models.len());
                models.push(ModelInfo {
                    category,
                    platform: platform_index,
                    brand: model.brand.as_str().into(),
                    model: model.model.as_str().into(),
                    sealed: platform.is_sealed(),
                    price_new: model.price_new,
                    price_factor: (model.price_new / scenario.categories[category].reference_price).sqrt(),
                    first_sold_on: model.first_sold_on,
                    last_sold_on: model.last_sold_on,
                    popularity: model.popularity,
                    serial_prefix: model.model.chars().filter(char::is_ascii_alphabetic).take(2).collect(),
                    fitted: fitted.clone(),
                });
            }
        }

        Ok(Self {
            category_shares: Weighted::new("category", scenario.categories.iter().enumerate().map(|(i, c)| (i, c.share)))?,
            condemned_reasons: terms("outcome.condemned_reasons", &scenario.outcome.condemned_reasons)?,
            sealed_reasons: terms("sealed.condemned_reasons", &scenario.sealed.condemned_reasons)?,
            declined_reasons: terms("outcome.declined_reasons", &scenario.outcome.declined_reasons)?,
            repairable_reasons: terms("outcome.repairable_reasons", &scenario.outcome.repairable_reasons)?,
            assembly: scenario.sealed.assembly.as_str().into(),
            part_unavailable: "part_unavailable".into(),
            categories,
            components,
            models,
            scenario,
        })
    }

    /// A model of the category that was on sale on that day, by popularity.
    pub fn draw_model<R: Rng + ?Sized>(&self, category: usize, day: NaiveDate, rng: &mut R) -> usize {
        let on_sale = |m: &ModelInfo| m.first_sold_on <= day && m.last_sold_on.is_none_or(|last| day <= last);
        let models = &self.categories[category].models;
        let total: f64 = models.iter().map(|&i| &self.models[i]).filter(|m| on_sale(m)).map(|m| m.popularity).sum();
        let mut left = rng.random::<f64>() * total;
        let mut chosen = models[0];
        for &i in models {
            if on_sale(&self.models[i]) {
                chosen = i;
                left -= self.models[i].popularity;
                if left < 0.0 {
                    break;
                }
            }
        }
        chosen
    }

    /// Price level of a day against that of the base year.
    pub fn price_level(&self, day: NaiveDate) -> f64 {
        let cost = &self.scenario.cost;
        (1.0 + cost.price_drift_per_year).powi(day.year() - cost.base_year)
    }

    /// The hazard factor of a component replaced by a part from this source.
    pub fn source_hazard(&self, source: PartSource) -> f64 {
        self.scenario.recall.source_hazard.get(source.key()).copied().unwrap_or(1.0)
    }

    /// Parts are shared by neighbouring platforms of a category; the maker of the part has its own numbers.
    pub fn part_number(&self, component: Option<usize>, model: &ModelInfo) -> String {
        let family = model.platform / 2;
        match component {
            Some(c) => format!("N{:02}-{:03}", c + 11, family * 17 % 1000 + 204),
            None => format!("N90-{:03}", model.platform * 13 % 1000 + 311),
        }
    }
}

fn terms(place: &str, weights: &Weights) -> Result<Weighted<Term>, ScenarioError> {
    Weighted::new(place, weights.iter().map(|(key, weight)| (Term::from(key.as_str()), *weight)))
}
