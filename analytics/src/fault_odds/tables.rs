//! The evidence tables `fault_odds` and `fault_odds_skill`: the same numbers in long form, for people and for SQL.

use fixodds_estimators::CONFIDENCE;
use fixodds_estimators::fault_odds::{CategoryOdds, GroupCounts};

use super::{Category, FaultOdds};
use crate::engine::Scope;
use crate::error::AnalyticsError;
use crate::evidence_rows::{Cell, Estimated, EvidenceRows};

fn scope(level: &str, key: &str, category: Option<&str>) -> Scope {
    Scope { level: level.to_owned(), key: key.to_owned(), category: category.map(str::to_owned) }
}

impl FaultOdds {
    pub(crate) fn rows(&self) -> Result<EvidenceRows, AnalyticsError> {
        let mut rows = EvidenceRows::new("fault_odds")?;
        let everywhere = scope("all", "all", None);
        for (name, value) in self.named_settings() {
            let known = fixodds_estimators::Interval::new(value, value, value, CONFIDENCE);
            rows.push(&everywhere, &[("quantity", "setting".into()), ("setting", name.into())], &known);
        }
        for category in &self.categories {
            let Ok(odds) = CategoryOdds::new(&category.counts, &category.complaint, &self.settings) else { continue };
            self.push_shares(&mut rows, category, &odds);
            push_mentions(&mut rows, category, &odds);
            for (brand, counts) in &category.brands {
                let groups = category.groups(Some(brand), None, None);
                push_ratios(
                    &mut rows,
                    &scope("brand", &format!("{}/{brand}", category.key), Some(&category.key)),
                    category,
                    &odds,
                    groups,
                    counts,
                );
            }
            for (platform, counts) in &category.platforms {
                let groups = category.groups(None, Some(platform), None);
                push_ratios(&mut rows, &scope("platform", platform, Some(&category.key)), category, &odds, groups, counts);
            }
            for (key, model) in &category.models {
                let groups = category.groups(model.brand.as_deref(), model.platform.as_deref(), Some(key));
                push_ratios(&mut rows, &scope("model", key, Some(&category.key)), category, &odds, groups, &model.counts);
            }
        }
        Ok(rows)
    }

    fn named_settings(&self) -> [(&'static str, f64); 7] {
        let s = &self.settings;
        [
            ("category_strength", s.category_strength),
            ("brand_strength", s.group_strengths[0]),
            ("platform_strength", s.group_strengths[1]),
            ("model_strength", s.group_strengths[2]),
            ("age_strength", s.age_strength),
            ("age_reach", s.age_reach),
            ("complaint_inflation", s.complaint_inflation),
        ]
    }

    fn push_shares(&self, rows: &mut EvidenceRows, category: &Category, odds: &CategoryOdds<'_>) {
        let here = scope("category", &category.key, Some(&category.key));
        let counts = &category.counts.faults_by_age;
        let bands = self.age_band_edges.len();
        for (k, component) in category.components.iter().enumerate() {
            for band in (0..bands).map(Some).chain([None]) {
                let of = |row: &Vec<u32>| band.map_or_else(|| row.iter().sum(), |band| row[band]);
                let jobs: u32 = counts.iter().map(of).sum();
                rows.push(
                    &here,
                    &[
                        ("quantity", "share".into()),
                        ("component", component.into()),
                        ("age_from_years", band.map(|band| self.age_band_edges[band]).into()),
                        ("age_to_years", band.and_then(|band| self.age_band_edges.get(band + 1).copied()).into()),
                        ("jobs", i64::from(jobs).into()),
                        ("events", i64::from(of(&counts[k])).into()),
                    ],
                    &odds.share(k, band, CONFIDENCE),
                );
            }
        }
    }

    pub(crate) fn skill_rows(&self) -> Result<EvidenceRows, AnalyticsError> {
        let mut rows = EvidenceRows::new("fault_odds_skill")?;
        for row in &self.skill {
            let here = row.category.as_deref().map_or_else(|| scope("all", "all", None), |key| scope("category", key, Some(key)));
            let calibration = |at: usize| -> Cell { row.calibration.map(|group| group[at]).into() };
            rows.push(
                &here,
                &[
                    ("predictor", (&row.predictor).into()),
                    ("statistic", (&row.statistic).into()),
                    ("symptoms_origin", row.symptoms_origin.as_deref().into()),
                    ("probability_from", calibration(0)),
                    ("probability_to", calibration(1)),
                    ("predicted", calibration(2)),
                    ("jobs", (row.jobs as i64).into()),
                    ("training_jobs", (row.training_jobs as i64).into()),
                ],
                &row.estimated,
            );
        }
        Ok(rows)
    }
}

/// Symptoms only: words are the customers' own, and no table is made of them.
fn push_mentions(rows: &mut EvidenceRows, category: &Category, odds: &CategoryOdds<'_>) {
    let here = scope("category", &category.key, Some(&category.key));
    for (k, component) in category.components.iter().enumerate() {
        for (j, symptom) in category.symptoms.iter().enumerate() {
            rows.push(
                &here,
                &[
                    ("quantity", "mention".into()),
                    ("component", component.into()),
                    ("symptom", symptom.into()),
                    ("jobs", i64::from(category.mention_jobs[j]).into()),
                    ("events", i64::from(category.mentions[j][k]).into()),
                ],
                &odds.mention(k, j, CONFIDENCE),
            );
        }
    }
}

/// One row for each component that the group's jobs show.
fn push_ratios(
    rows: &mut EvidenceRows,
    here: &Scope,
    category: &Category,
    odds: &CategoryOdds<'_>,
    groups: [Option<&GroupCounts>; 3],
    counts: &GroupCounts,
) {
    let ratios = odds.ratio(&groups, CONFIDENCE);
    for (component, events) in &counts.faults {
        let ratio: Estimated = ratios.as_ref().map_err(Clone::clone).map(|all| all[*component]);
        rows.push(
            here,
            &[
                ("quantity", "ratio".into()),
                ("component", (&category.components[*component]).into()),
                ("jobs", i64::from(counts.total()).into()),
                ("events", i64::from(*events).into()),
                ("expected", odds.expected(counts, *component).into()),
            ],
            &ratio,
        );
    }
}
