//! Two designs compared at the same ages. What was to be compared was settled before looking: all faults together, and the
//! parts that a design seals in. Everything else is in a folded table and in no sentence.

use super::claims::{Draft, Question, answering};
use crate::charts::{IntervalPlot, IntervalRow, Look, Plot, Reference};
use crate::claims::ClaimStanding;
use crate::document::{Block, Cell, Chart, Column, Fold, Quantity, Section, Table, Unit};
use crate::documents::brief::{Brief, Category, shortened};
use crate::evidence_view::{Query, Row};
use crate::wording;
use fixodds_estimators::judgement::Scale;

const MOST_UNPLANNED: usize = 60;

pub(super) fn section(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("contrasts", "Designs compared");
    let compared = compared(brief);
    let Some((largest, others)) = compared.split_first() else {
        section.blocks.push(Block::Note(brief.when_empty("design_contrast", NO_TWO_DESIGNS)));
        return section;
    };
    section.blocks.push(Block::Paragraph(
        "Ages are held equal by comparing within age bands; ranges allow for models of one design that differ. What was to be compared was settled before looking: all faults \
         together, and the parts that the design seals in. Write-offs are of jobs that reached the workshop; designs may differ in other ways too, so that no ratio says what brought it about."
            .to_owned(),
    ));
    section.blocks.push(Block::List(largest.planned().filter_map(|contrast| contrast.sentence(brief)).collect()));
    section.blocks.extend(chart(brief, largest).map(|chart| Block::Chart(Box::new(chart))));
    let (caption, not_planned) = ("Not singled out before looking: all other parts", "design_contrast");
    let unplanned = unplanned(brief, &compared, caption);
    let mut folded: Vec<Block> = Vec::new();
    if !others.is_empty() {
        let rows = others.iter().flat_map(Compared::planned);
        folded.push(Block::Fold(Fold {
            summary: "The same comparisons in the other categories".to_owned(),
            blocks: vec![Block::Table(numbers(brief, rows, "The same comparisons in the other categories"))],
        }));
    }
    if !unplanned.rows.is_empty() {
        let remark = "These parts were not singled out before looking. Among so many comparisons some differ by chance: q is the share of false \
                      findings to be expected among all those with a q as small as this. Take what stands out as a question, not as a finding.";
        let blocks = vec![Block::Note(remark.to_owned()), Block::Table(shortened(unplanned, MOST_UNPLANNED, not_planned))];
        folded.push(Block::Fold(Fold { summary: caption.to_owned(), blocks }));
    }
    section.blocks.extend(folded);
    section
}

/// All faults together, sealed against open drums: by how often jobs end as write-offs, and by how often machines fail.
pub(super) fn of_all_faults(brief: &Brief<'_>) -> Vec<Question> {
    asked(brief, &PROPERTIES[0], &[None])
}

/// The parts that the design seals in, one by one, and the other property of design.
pub(super) fn of_sealed_parts(brief: &Brief<'_>) -> Vec<Question> {
    let [(property, exposed, _), _] = PROPERTIES;
    let parts: Vec<Option<&str>> = brief.names.enclosed(property, exposed).map(Some).collect();
    asked(brief, &PROPERTIES[0], &parts).into_iter().chain(asked(brief, &PROPERTIES[1], &[None])).collect()
}

/// Properties of design that are compared, the design that is asked about and the one that it is held against.
const PROPERTIES: [(&str, &str, &str); 2] = [("drum_design", "sealed", "bolted"), ("motor_type", "brushed", "brushless")];

/// What is asked of one property, in the category with the most jobs that has machines of both designs.
fn asked(brief: &Brief<'_>, (property, exposed, reference): &(&'static str, &str, &str), components: &[Option<&str>]) -> Vec<Question> {
    let of = |category: &str| Query::of("design_contrast").category(category).with("contrast", *property);
    let category = brief.categories.iter().find(|category| brief.evidence.first(&of(&category.key)).is_some());
    let of_component = |component: &Option<&str>| {
        let fault = component.map_or_else(|| "all faults".to_owned(), |key| format!("faults of the {}", brief.names.component(key)));
        ADJUSTED.map(|ratios| {
            let machines = category.map_or_else(|| "machines".to_owned(), |category| category.many.clone());
            let happens = if ratios[0] == ADJUSTED[0][0] { "jobs end as write-offs" } else { "machines fail" };
            let about = format!("How often {happens}, {} {} against {reference}, {machines}: {fault}", exposed, property.replace('_', " "));
            let answer = category.ok_or_else(|| brief.when_empty("design_contrast", NO_TWO_DESIGNS)).and_then(|category| {
                let query = of(&category.key).with("statistic", ratios[0]);
                let query = match component {
                    Some(component) => query.with("component", *component),
                    None => query.null("component"),
                };
                let row = answering(brief, &query, "There are too few such records of both designs.")?;
                let contrast = Contrast::new(brief, category, row, [ratios[1], ratios[2]]);
                contrast.draft(brief).ok_or_else(|| "The counts that it rests on may not be given.".to_owned())
            });
            Question { about, answer }
        })
    };
    components.iter().flat_map(of_component).collect()
}

const NO_TWO_DESIGNS: &str = "No two designs can be compared: the catalogue does not say how enough models are built.";

/// The comparisons of one category.
struct Compared<'c> {
    contrasts: Vec<Contrast<'c>>,
}

/// One ratio with ages held equal, and the ratio as counted.
struct Contrast<'c> {
    machines: &'c str,
    property: String,
    component: Option<String>,
    is_planned: bool,
    adjusted: Row,
    crude: Option<Quantity>,
    /// P-value of the ratio being the same in all strata.
    same_in_all_strata: Option<Quantity>,
}

impl Compared<'_> {
    fn planned(&self) -> impl Iterator<Item = &Contrast<'_>> {
        self.contrasts.iter().filter(|contrast| contrast.is_planned)
    }
}

/// The categories that have comparisons, largest first; within them write-offs before failures, all faults before single parts.
fn compared<'c>(brief: &'c Brief<'_>) -> Vec<Compared<'c>> {
    let of = |category: &'c Category| {
        let mut contrasts: Vec<Contrast<'c>> = ADJUSTED
            .into_iter()
            .flat_map(|[statistic, crude, homogeneity]| {
                let rows = brief.evidence.rows(&Query::of("design_contrast").category(&category.key).with("statistic", statistic));
                let estimated = rows.into_iter().filter(|row| row.real("estimate").is_some());
                estimated.map(move |row| Contrast::new(brief, category, row, [crude, homogeneity]))
            })
            .collect();
        contrasts.sort_by(|a, b| (&a.property, &a.component).cmp(&(&b.property, &b.component)));
        Compared { contrasts }
    };
    brief.main().iter().map(of).filter(|compared| compared.planned().next().is_some()).collect()
}

/// Ratios with ages held equal, as counted, and the test that they are the same at all ages. Odds ratios are left to the evidence table.
const ADJUSTED: [[&str; 3]; 2] = [
    ["risk_ratio_mantel_haenszel", "risk_ratio_crude", "risk_homogeneity_p"],
    ["rate_ratio_mantel_haenszel", "rate_ratio_crude", "rate_homogeneity_p"],
];

impl<'c> Contrast<'c> {
    fn new(brief: &Brief<'_>, category: &'c Category, adjusted: Row, [crude, homogeneity]: [&'static str; 2]) -> Contrast<'c> {
        let property = adjusted.text("contrast").unwrap_or_default().to_owned();
        let component = adjusted.text("component").map(str::to_owned);
        let exposed = adjusted.text("exposed").unwrap_or_default();
        let beside = |statistic: &str, unit: Unit| {
            let query =
                Query::of("design_contrast").category(&category.key).with("statistic", statistic).with("contrast", property.as_str());
            let query = match &component {
                Some(component) => query.with("component", component.as_str()),
                None => query.null("component"),
            };
            brief.evidence.first(&query).and_then(|row| row.quantity(unit))
        };
        Contrast {
            machines: &category.many,
            is_planned: component.as_ref().is_none_or(|component| brief.names.encloses(&property, exposed, component)),
            crude: beside(crude, Unit::Ratio),
            same_in_all_strata: beside(homogeneity, Unit::Probability).map(|p| Quantity { interval: None, ..p }),
            property,
            component,
            adjusted,
        }
    }

    fn is_write_off(&self) -> bool {
        self.adjusted.text("outcome") == Some("write_off")
    }

    fn design(&self, column: &str) -> String {
        format!("{} {}", self.adjusted.text(column).unwrap_or_default().replace('_', " "), self.property.replace('_', " "))
    }

    /// "312 of 840 jobs" or "41 in 1,204 machine-years".
    fn group(&self, events: &str, total: &str) -> Option<String> {
        let (events, total) = (wording::count(self.adjusted.integer(events)?), self.adjusted.real(total)?.round() as i64);
        Some(if self.is_write_off() {
            format!("{events} of {}", wording::count_of(total, "job", "jobs"))
        } else {
            format!("{events} in {} machine-years", wording::count(total))
        })
    }

    fn basis(&self) -> Option<String> {
        let crude = self.crude.as_ref().map_or_else(String::new, |crude| {
            let value = wording::in_cell(&Quantity { n: None, ..crude.clone() }).value;
            format!("; with ages not held equal, {value}")
        });
        let (first, second) = (self.group("exposed_events", "exposed_total")?, self.group("reference_events", "reference_total")?);
        Some(format!("{first} against {second}{crude}"))
    }

    fn draft(&self, brief: &Brief<'_>) -> Option<Draft> {
        let [shown, not_shown] = [true, false].map(|shown| self.worded(brief, shown));
        let (shown, not_shown) = (shown?, not_shown?);
        let is_found = matches!(self.adjusted.text("finding"), Some("higher" | "lower"));
        Some(Draft {
            table: "design_contrast",
            row: self.adjusted.clone(),
            unit: Unit::Ratio,
            n: if self.is_write_off() { (self.jobs(), "jobs") } else { (Some(self.events()), "faults") },
            population: format!(
                "{}, {}",
                if self.is_write_off() { "jobs in the workshop with that fault and the age known" } else { "machines on the roster" },
                self.machines
            ),
            method: "ratio within age bands by Mantel-Haenszel",
            against: Some((1.0, Scale::Logarithm)),
            not_found: !is_found,
            words: Box::new(move |standing| if standing == ClaimStanding::DifferenceShown { shown.clone() } else { not_shown.clone() }),
        })
    }

    /// The comparison in words, as the analysis found it.
    fn sentence(&self, brief: &Brief<'_>) -> Option<String> {
        self.worded(brief, matches!(self.adjusted.text("finding")?, "higher" | "lower"))
    }

    /// The comparison in words, as one that shows a difference or as one that shows none.
    fn worded(&self, brief: &Brief<'_>, is_shown: bool) -> Option<String> {
        let ratio = wording::in_sentence(&self.adjusted.quantity(Unit::Ratio)?);
        let component = self.component.as_ref().map(|key| brief.names.component(key));
        let with = component.as_ref().map_or_else(String::new, |component| format!(" with a fault of the {component}"));
        let (first, second, basis) = (self.design("exposed"), self.design("reference"), self.basis()?);
        let machines = self.machines;
        Some(match (self.is_write_off(), is_shown) {
            (true, true) => format!(
                "Jobs{with} on {machines} of {first} ended as write-offs {ratio} times as often as those on {machines} of {second}, at the same ages ({basis})."
            ),
            (true, false) => format!(
                "No difference is shown in how often jobs{with} on {machines} of {first} ended as write-offs against those on {machines} of {second}: at the same ages the ratio is \
                 {ratio} ({basis})."
            ),
            (false, shown) => {
                let failed = component.map_or_else(|| "failed".to_owned(), |component| format!("had a fault of the {component}"));
                let opening = format!("{} on the roster of {first}", wording::sentence_case(machines));
                if shown {
                    format!("{opening} {failed} {ratio} times as often as those of {second}, at the same ages ({basis}).")
                } else {
                    format!(
                        "No difference is shown in how often {machines} on the roster of {first} {failed} against those of {second}: at the same ages the ratio is {ratio} ({basis})."
                    )
                }
            }
        })
    }

    /// "Drum bearings: written off".
    fn label(&self, brief: &Brief<'_>) -> String {
        let component = self.component.as_ref().map_or_else(|| "any fault".to_owned(), |key| brief.names.component(key));
        format!("{}: {}", wording::sentence_case(&component), if self.is_write_off() { "jobs written off" } else { "how often" })
    }

    /// "sealed against bolted".
    fn designs(&self) -> String {
        let design = |column: &str| self.adjusted.text(column).unwrap_or_default().replace('_', " ");
        format!("{} against {}", design("exposed"), design("reference"))
    }

    fn cells(&self, brief: &Brief<'_>) -> Vec<Cell> {
        let text = |words: Option<String>| words.map_or(Cell::Nothing, Cell::Text);
        let quantity = |quantity: &Option<Quantity>| quantity.clone().map_or(Cell::Nothing, Cell::Quantity);
        vec![
            Cell::Text(self.label(brief)),
            Cell::Text(self.designs()),
            Cell::Text(self.machines.to_owned()),
            self.adjusted.cell(Unit::Ratio),
            quantity(&self.crude),
            quantity(&self.same_in_all_strata),
            self.adjusted.real("q_value").map_or(Cell::Nothing, |q| Cell::Quantity(Quantity::new(q, Unit::Probability))),
            text(self.group("exposed_events", "exposed_total")),
            text(self.group("reference_events", "reference_total")),
        ]
    }

    fn events(&self) -> i64 {
        let events = |column: &str| self.adjusted.integer(column).unwrap_or(0);
        events("exposed_events") + events("reference_events")
    }

    /// Jobs of both designs.
    fn jobs(&self) -> Option<i64> {
        Some((self.adjusted.real("exposed_total")? + self.adjusted.real("reference_total")?).round() as i64)
    }
}

/// The comparisons of the first design.
fn chart(brief: &Brief<'_>, compared: &Compared<'_>) -> Option<Chart> {
    let first = compared.planned().next()?;
    let drawn: Vec<&Contrast<'_>> = compared.planned().filter(|contrast| contrast.property == first.property).collect();
    let row = |contrast: &&Contrast<'_>| IntervalRow {
        label: contrast.label(brief),
        quantity: contrast.adjusted.quantity(Unit::Ratio),
        standing: None,
    };
    Some(Chart {
        title: format!(
            "{}: {} {}, at the same ages",
            wording::sentence_case(first.machines),
            first.designs(),
            first.property.replace('_', " ")
        ),
        description:
            "Ratio of the first design to the second, in how often jobs with the fault end as write-offs in the workshop and in how often the fault comes on the roster. \
                      Right of the line it is more often on the first; an interval that crosses the line leaves it open."
                .to_owned(),
        plot: Plot::Intervals(IntervalPlot {
            unit: Unit::Ratio,
            look: Look::Ratios,
            reference: Some(Reference { value: 1.0, label: "no difference".to_owned() }),
            rows: drawn.iter().map(row).collect(),
        }),
        numbers: numbers(brief, compared.planned(), "Designs compared"),
    })
}

fn unplanned(brief: &Brief<'_>, compared: &[Compared<'_>], caption: &str) -> Table {
    let mut contrasts: Vec<&Contrast<'_>> =
        compared.iter().flat_map(|compared| compared.contrasts.iter().filter(|contrast| !contrast.is_planned)).collect();
    // By size, not by result, so that what is shown is not picked for how it came out.
    contrasts.sort_by_key(|contrast| std::cmp::Reverse(contrast.events()));
    numbers(brief, contrasts.into_iter(), caption)
}

fn numbers<'c>(brief: &Brief<'_>, contrasts: impl Iterator<Item = &'c Contrast<'c>>, caption: &str) -> Table {
    Table {
        caption: caption.to_owned(),
        columns: vec![
            Column::text("Fault, and what is compared"),
            Column::text("Designs"),
            Column::text("Machines"),
            Column::number("Ratio at the same ages"),
            Column::number("Ratio as counted"),
            Column::number("p that it is the same at all ages"),
            Column::number("q"),
            Column::number("First design"),
            Column::number("Second design"),
        ],
        rows: contrasts.map(|contrast| contrast.cells(brief)).collect(),
        notes: vec!["Jobs written off: of jobs with that fault that reached the workshop. How often: faults per machine-year of the roster. At the same ages: Mantel-Haenszel over age bands; where p is small, the ratio differs between ages and the figure is their mean.".to_owned()],
        when_empty: String::new(),
    }
}
