//! For the repair-advocacy group: what can be claimed in public, and how far.

use super::brief::{Brief, Category, findings, said, shortened};
use super::models::{self, Measure};
use super::{contrasts, data};
use crate::charts::{AgeBand, CurvePoint, Curves, HeatMap, HeatRow, IntervalPlot, IntervalRow, Look, Plot, Series};
use crate::document::{Block, Cell, Chart, Column, Document, Quantity, Reader, Section, Standing, Table, Unit};
use crate::evidence_view::{Query, Row};
use crate::wording;

const MOST_COMPONENTS: usize = 15;
const MOST_DRAWN: usize = 10;
const MOST_CURVES: usize = 4;
const TABLES: [&str; 8] =
    ["fault_share", "failure_rate", "life", "recurrence", "sealed_write_off", "design_contrast", "model_standing", "priority_part"];
const LIMITS: [&str; 4] = [
    "Rates rest on the machines of the roster: machines under a service plan or guarantee, or rented out. They may be used and kept differently from others.",
    "Where there is no roster, only shares of jobs can be given. A share says which fault is common among machines brought to repair, not how often machines fail.",
    "Contrasts of designs compare machines as they were brought in, within age bands. Makers who choose one design may differ in other ways too.",
    "Intervals cover chance only, not errors in the records.",
];

pub(super) fn build(brief: &Brief<'_>) -> Document {
    Document {
        title: "What fails, when, and what the design has to do with it".to_owned(),
        purpose: "For the repair-advocacy group: figures that can be defended in public, each with its basis and its limits.".to_owned(),
        reader: Reader::Advocate,
        facts: brief.facts(),
        sections: vec![
            findings(statements(brief)),
            failure(brief),
            lives(brief),
            sealed(brief),
            contrasts::section(brief),
            priority_parts(brief),
            standing(brief),
            data::cleaning(brief),
            data::methods(brief, &TABLES, &LIMITS),
        ],
    }
}

fn statements(brief: &Brief<'_>) -> Vec<String> {
    let mut sentences = Vec::new();
    for category in &brief.categories {
        let all_faults = brief.evidence.first(&Query::of("failure_rate").category(&category.key).all_ages().null("component"));
        if let Some(rate) = all_faults.and_then(|row| said(&row, Unit::PerMachineYear, "events")) {
            sentences.push(format!("{} fail {rate}.", category.heading()));
        }
        sentences
            .extend(lives_of(brief, category).iter().filter(|life| life.wears_out()).filter_map(|life| life.sentence(brief, category)));
    }
    let of_known =
        brief.evidence.first(&Query::of("sealed_write_off").overall().with("statistic", "of_condemned_design_known").null("component"));
    if let Some(share) = of_known.and_then(|row| said(&row, Unit::Share, "condemned")) {
        sentences.push(format!(
            "Of condemned machines whose design is known, {share} failed at a part inside an assembly that cannot be opened."
        ));
    }
    sentences.extend(contrasts::sentences(brief));
    sentences
}

// --- failure by component and age ---------------------------------------------------------------

fn failure(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("failure", "What fails, and at what age");
    for category in &brief.categories {
        section.blocks.push(Block::Subheading(category.heading()));
        let query = Query::of("failure_rate").category(&category.key).all_ages().not_null("component");
        let mut rates = brief.ranked(&query);
        rates.retain(|row| row.real("estimate").is_some());
        if rates.is_empty() {
            let why = brief.when_empty("failure_rate", "No machine is observed over time: shares, not rates.");
            section.blocks.push(Block::Note(format!(
                "{why} What follows says which faults are common among the jobs on {}, not how often machines fail.",
                category.many
            )));
            section.blocks.push(shares(brief, category));
        } else {
            section.blocks.push(Block::Chart(Box::new(rate_chart(brief, category, &rates))));
            section.blocks.extend(heat_map(brief, category, &rates).map(|chart| Block::Chart(Box::new(chart))));
        }
    }
    section
}

fn shares(brief: &Brief<'_>, category: &Category) -> Block {
    let query = |statistic: &str| {
        Query::of("fault_share").category(&category.key).with("role", "primary").with("statistic", statistic).not_null("component")
    };
    let ratio = |component: Option<&str>| {
        brief.cell(&query("proportionate_fault_ratio").with("component", component.unwrap_or_default()), Unit::Ratio)
    };
    let table = Table {
        caption: format!("{}: share of jobs with a known fault", category.heading()),
        columns: vec![
            Column::text("Component"),
            Column::number("Faults"),
            Column::number("Jobs"),
            Column::number("Share"),
            Column::number_in("Proportionate fault ratio", "1 = as expected at its ages"),
        ],
        rows: brief
            .ranked(&query("share"))
            .iter()
            .map(|row| {
                vec![
                    Cell::Text(brief.component_of(row)),
                    row.count_cell("events"),
                    row.count_cell("jobs"),
                    row.cell(Unit::Share),
                    ratio(row.text("component")),
                ]
            })
            .collect(),
        notes: Vec::new(),
        when_empty: format!("No job on {} has a known primary fault.", category.many),
    };
    Block::Table(shortened(table, MOST_COMPONENTS, "fault_share"))
}

fn rate_chart(brief: &Brief<'_>, category: &Category, rates: &[Row]) -> Chart {
    let unit = Unit::PerMachineYear;
    let machine_years =
        |row: &Row| row.real("machine_years").map_or(Cell::Nothing, |years| Cell::Quantity(Quantity::new(years, Unit::Number)));
    let table = Table {
        caption: format!("{}: failure rate by component, all ages", category.heading()),
        columns: vec![
            Column::text("Component"),
            Column { unit: wording::unit_words(&unit), ..Column::number("Rate") },
            Column::number("Failures"),
            Column::number("Of these within 90 days of another"),
            Column::number("Machine-years"),
            Column::number("Machines"),
            Column::number("Machines whose design is unknown"),
        ],
        rows: rates
            .iter()
            .map(|row| {
                vec![
                    Cell::Text(brief.component_of(row)),
                    row.cell(unit.clone()),
                    row.count_cell("events"),
                    row.count_cell("repeat_events"),
                    machine_years(row),
                    row.count_cell("machines"),
                    row.count_cell("machines_trait_unknown"),
                ]
            })
            .collect(),
        notes: vec!["A machine whose design is unknown counts as having the component.".to_owned()],
        when_empty: String::new(),
    };
    Chart {
        title: format!("{}: how often each component fails", category.heading()),
        description: "Failures per 100 machine-years of machines that have the component, all ages together.".to_owned(),
        plot: Plot::Intervals(IntervalPlot {
            unit: unit.clone(),
            look: Look::Dots,
            reference: None,
            rows: rates
                .iter()
                .take(MOST_DRAWN)
                .map(|row| IntervalRow { label: brief.component_of(row), quantity: row.quantity(unit.clone()), standing: None })
                .collect(),
        }),
        numbers: shortened(table, MOST_COMPONENTS, "failure_rate"),
    }
}

fn heat_map(brief: &Brief<'_>, category: &Category, rates: &[Row]) -> Option<Chart> {
    let unit = Unit::PerMachineYear;
    let by_age = brief.evidence.rows(&Query::of("failure_rate").category(&category.key).not_null("component").not_null("age_from_years"));
    let mut bands: Vec<AgeBand> = by_age
        .iter()
        .filter_map(|row| Some(AgeBand { from_years: row.real("age_from_years")?, to_years: row.real("age_to_years") }))
        .collect();
    bands.sort_by(|a, b| a.from_years.total_cmp(&b.from_years));
    bands.dedup();
    let components: Vec<&str> = rates.iter().filter_map(|row| row.text("component")).take(MOST_DRAWN).collect();
    let find = |component: &str, band: &AgeBand| {
        by_age.iter().find(|row| row.text("component") == Some(component) && row.real("age_from_years") == Some(band.from_years))
    };
    if bands.len() < 2 {
        return None;
    }
    let name = |component: &str| wording::sentence_case(&brief.names.component(component));
    let rows = components
        .iter()
        .map(|component| HeatRow {
            label: name(component),
            values: bands.iter().map(|band| find(component, band).and_then(|row| row.real("estimate"))).collect(),
        })
        .collect();
    let headings = bands.iter().filter_map(|band| wording::age_band(Some(band.from_years), band.to_years));
    let columns = headings.map(|heading| Column::number(&heading));
    let numbers = Table {
        caption: format!("{}: failures per 100 machine-years by component and age", category.heading()),
        columns: std::iter::once(Column::text("Component")).chain(columns).collect(),
        rows: components
            .iter()
            .map(|component| {
                let cells = bands.iter().map(|band| find(component, band).map_or(Cell::Nothing, |row| row.cell(unit.clone())));
                std::iter::once(Cell::Text(name(component))).chain(cells).collect()
            })
            .collect(),
        notes: Vec::new(),
        when_empty: String::new(),
    };
    Some(Chart {
        title: format!("{}: failure rate by age", category.heading()),
        description: "Each strip is a component, each cell an age band that starts at the year above it; deeper means more failures per 100 machine-years. \
                      A dash marks ages at which too few machines were observed. Intervals are in the table."
            .to_owned(),
        plot: Plot::HeatMap(HeatMap { unit, bands, rows }),
        numbers,
    })
}

// --- life ---------------------------------------------------------------------------------------

/// The fitted life of one component.
struct Life {
    component: String,
    shape: Row,
    b10_years: Option<Row>,
    median_years: Option<Row>,
}

impl Life {
    fn wears_out(&self) -> bool {
        self.shape.text("hazard_pattern") == Some("wear_out") && self.shape.real("estimate").is_some()
    }

    fn pattern(&self) -> &'static str {
        match self.shape.text("hazard_pattern") {
            Some("early_life") => "fails mostly when young",
            Some("random") => "fails at any age alike",
            Some("wear_out") => "wears out",
            Some("undecided") => "undecided",
            _ => "not enough evidence",
        }
    }

    fn sentence(&self, brief: &Brief<'_>, category: &Category) -> Option<String> {
        let shape = said(&self.shape, Unit::Number, "events")?;
        let tenth = self.b10_years.as_ref().and_then(|row| row.quantity(Unit::Years)).map(|years| wording::in_sentence(&years));
        let tenth = tenth.map_or_else(String::new, |years| format!("; one in ten has failed by an age of {years}"));
        Some(format!("In {}, wear is the pattern of the {}: shape {shape}{tenth}.", category.many, brief.names.component(&self.component)))
    }
}

/// Fitted lives of a category's components, shortest tenth-life first.
fn lives_of(brief: &Brief<'_>, category: &Category) -> Vec<Life> {
    let fitted = |statistic: &str| {
        Query::of("life").category(&category.key).with("curve", "weibull").with("statistic", statistic).not_null("component")
    };
    let of = |statistic: &str, component: &str| brief.evidence.first(&fitted(statistic).with("component", component));
    let mut lives: Vec<Life> = brief
        .evidence
        .rows(&fitted("shape"))
        .into_iter()
        .filter_map(|shape| {
            let component = shape.text("component")?.to_owned();
            Some(Life { b10_years: of("b10_years", &component), median_years: of("median_years", &component), component, shape })
        })
        .collect();
    let tenth = |life: &Life| life.b10_years.as_ref().and_then(|row| row.real("estimate")).unwrap_or(f64::INFINITY);
    lives.sort_by(|a, b| tenth(a).total_cmp(&tenth(b)).then_with(|| a.component.cmp(&b.component)));
    lives
}

fn lives(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("life", "How long parts last");
    section.blocks.push(Block::Paragraph(
        "A shape above 1 means that the risk of failing grows with age: the part wears out. A shape near 1 means that it fails at any age alike, \
         below 1 that it fails mostly when young. The age by which one in ten has failed is called B10."
            .to_owned(),
    ));
    for category in &brief.categories {
        let lives = lives_of(brief, category);
        let incidence = incidence(brief, category);
        let recurrence = recurrence(brief, category);
        if lives.is_empty() && incidence.is_none() && recurrence.is_none() {
            continue;
        }
        section.blocks.push(Block::Subheading(category.heading()));
        section.blocks.extend(incidence.map(|chart| Block::Chart(Box::new(chart))));
        section.blocks.push(Block::Table(life_table(brief, category, &lives)));
        section.blocks.extend(recurrence.map(|chart| Block::Chart(Box::new(chart))));
    }
    if section.blocks.len() == 1 {
        let otherwise = "No life can be estimated: that needs a roster of machines with the dates they were observed from and to.";
        section.blocks.push(Block::Note(brief.when_empty("life", otherwise)));
    }
    section
}

fn life_table(brief: &Brief<'_>, category: &Category, lives: &[Life]) -> Table {
    let years = |row: &Option<Row>| row.as_ref().map_or(Cell::Nothing, |row| row.cell(Unit::Years));
    let table = Table {
        caption: format!("{}: fitted lives, shortest first", category.heading()),
        columns: vec![
            Column::text("Component"),
            Column::text("Pattern"),
            Column::number("Shape"),
            Column::number_in("B10", "years"),
            Column::number_in("Median life", "years"),
            Column::number("Failures"),
            Column::number("Machines"),
        ],
        rows: lives
            .iter()
            .map(|life| {
                vec![
                    Cell::Text(wording::sentence_case(&brief.names.component(&life.component))),
                    Cell::Text(life.pattern().to_owned()),
                    life.shape.cell(Unit::Number),
                    years(&life.b10_years),
                    years(&life.median_years),
                    life.shape.count_cell("events"),
                    life.shape.count_cell("machines"),
                ]
            })
            .collect(),
        notes: vec!["A median beyond the ages observed is an extrapolation of the fitted curve.".to_owned()],
        when_empty: brief.when_empty("life", "No component has enough failures for a fitted life."),
    };
    shortened(table, MOST_COMPONENTS, "life")
}

fn points(rows: &[Row]) -> Vec<CurvePoint> {
    let mut points: Vec<CurvePoint> = rows
        .iter()
        .filter_map(|row| {
            Some(CurvePoint { x: row.real("age_years")?, y: row.real("estimate")?, interval: row.real("lower").zip(row.real("upper")) })
        })
        .collect();
    points.sort_by(|a, b| a.x.total_cmp(&b.x));
    points
}

fn incidence(brief: &Brief<'_>, category: &Category) -> Option<Chart> {
    let rows = brief.evidence.rows(&Query::of("life").category(&category.key).with("curve", "cumulative_incidence").not_null("component"));
    let mut components: Vec<&str> = rows.iter().filter_map(|row| row.text("component")).collect();
    components.sort_unstable();
    components.dedup();
    let of = |component: &str| -> Vec<Row> { rows.iter().filter(|row| row.text("component") == Some(component)).cloned().collect() };
    let mut series: Vec<(Series, Vec<Row>)> = components
        .into_iter()
        .map(|component| {
            let rows = of(component);
            (Series { label: wording::sentence_case(&brief.names.component(component)), points: points(&rows) }, rows)
        })
        .filter(|(series, _)| !series.points.is_empty())
        .collect();
    let end = |series: &Series| series.points.last().map_or(0.0, |point| point.y);
    series.sort_by(|a, b| end(&b.0).total_cmp(&end(&a.0)).then_with(|| a.0.label.cmp(&b.0.label)));
    series.truncate(MOST_CURVES);
    if series.is_empty() {
        return None;
    }
    let at_whole_years = series.iter().flat_map(|(series, rows)| yearly(rows).into_iter().map(move |row| (series.label.clone(), row)));
    let numbers = Table {
        caption: format!("{}: machines whose first fault was this component, by age", category.heading()),
        columns: vec![
            Column::text("Component"),
            Column::number_in("Age", "years"),
            Column::number("Machines still observed"),
            Column::number("Share failed"),
        ],
        rows: at_whole_years
            .map(|(label, row)| {
                let age = row.real("age_years").map_or(Cell::Nothing, |age| Cell::Quantity(Quantity::new(age, Unit::Years)));
                vec![Cell::Text(label), age, row.count_cell("at_risk"), row.cell(Unit::Share)]
            })
            .collect(),
        notes: vec!["One row a year of age; the evidence table life holds every step.".to_owned()],
        when_empty: String::new(),
    };
    Some(Chart {
        title: format!("{}: first faults by age", category.heading()),
        description: "Share of machines whose first fault was this component, by age; the four commonest. Shaded bands are 95 % intervals."
            .to_owned(),
        plot: Plot::Curves(Curves {
            unit: Unit::Share,
            x_label: "age in years".to_owned(),
            series: series.into_iter().map(|(series, _)| series).collect(),
            stepped: true,
        }),
        numbers,
    })
}

/// The last row of each started year of age, in order of age.
fn yearly(rows: &[Row]) -> Vec<Row> {
    let mut rows: Vec<&Row> = rows.iter().filter(|row| row.real("age_years").is_some() && row.real("estimate").is_some()).collect();
    let age = |row: &Row| row.real("age_years").unwrap_or(0.0);
    rows.sort_by(|a, b| age(a).total_cmp(&age(b)));
    let year = |row: &Row| age(row).ceil() as i64;
    let kept = rows.iter().enumerate().filter(|(place, row)| rows.get(place + 1).is_none_or(|next| year(next) != year(row)));
    kept.map(|(_, row)| (*row).clone()).collect()
}

fn recurrence(brief: &Brief<'_>, category: &Category) -> Option<Chart> {
    let rows = brief.evidence.rows(&Query::of("recurrence").category(&category.key));
    let points = points(&rows);
    if points.is_empty() {
        return None;
    }
    Some(Chart {
        title: format!("{}: repairs a machine needs by a given age", category.heading()),
        description: "Mean number of repairs per machine, counted from new. The shaded band is the 95 % interval.".to_owned(),
        plot: Plot::Curves(Curves {
            unit: Unit::Number,
            x_label: "age in years".to_owned(),
            series: vec![Series { label: "repairs".to_owned(), points }],
            stepped: true,
        }),
        numbers: Table {
            caption: format!("{}: mean number of repairs per machine by age", category.heading()),
            columns: vec![
                Column::number_in("Age", "years"),
                Column::number("Machines still observed"),
                Column::number("Repairs per machine"),
            ],
            rows: yearly(&rows)
                .iter()
                .map(|row| {
                    let age = row.real("age_years").map_or(Cell::Nothing, |age| Cell::Quantity(Quantity::new(age, Unit::Years)));
                    vec![age, row.count_cell("at_risk"), row.cell(Unit::Number)]
                })
                .collect(),
            notes: vec!["One row a year of age; the evidence table recurrence holds every step.".to_owned()],
            when_empty: String::new(),
        },
    })
}

// --- sealed assemblies ---------------------------------------------------------------------------

fn sealed(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("sealed", "Write-offs that the design forced");
    section.blocks.push(Block::Paragraph(
        "A condemned machine counts here when the part that failed sits inside an assembly that its design does not let anybody open, so that the whole \
         assembly would have had to be bought."
            .to_owned(),
    ));
    let statistic_words = |statistic: &str| match statistic {
        "of_condemned" => "share of all condemned machines".to_owned(),
        "of_condemned_design_known" => "share of condemned machines whose design is known".to_owned(),
        "part_price" => "price of the failed part".to_owned(),
        "assembly_price" => "price of the sealed assembly".to_owned(),
        "value_lost" => "value lost, at the price new".to_owned(),
        "mass_kg_lost" => "mass lost".to_owned(),
        "machines_lost" => "machines lost".to_owned(),
        other => other.replace('_', " "),
    };
    let unit = |statistic: &str| match statistic {
        "of_condemned" | "of_condemned_design_known" => Unit::Share,
        "mass_kg_lost" => Unit::Kilograms,
        "machines_lost" => Unit::Number,
        _ => brief.money(),
    };
    let mut rows = brief.evidence.rows(&Query::of("sealed_write_off").overall());
    for category in &brief.categories {
        rows.extend(brief.evidence.rows(&Query::of("sealed_write_off").category(&category.key)));
    }
    let scope = |row: &Row| {
        row.text("category").map_or_else(|| "All machines".to_owned(), |key| wording::sentence_case(&brief.names.categories(key)))
    };
    let component = |row: &Row| row.text("component").map_or_else(|| "any".to_owned(), |key| brief.names.component(key));
    section.blocks.push(Block::Table(Table {
        caption: "Condemned machines whose failed part is sealed in".to_owned(),
        columns: vec![
            Column::text("Machines"),
            Column::text("Failed part"),
            Column::text("Measure"),
            Column::number("Figure"),
            Column::number("Sealed"),
            Column::number("Of condemned"),
        ],
        rows: rows
            .iter()
            .map(|row| {
                let statistic = row.text("statistic").unwrap_or_default();
                let words = statistic_words(statistic);
                let words = wording::unit_words(&unit(statistic)).map_or_else(|| words.clone(), |unit| format!("{words}, {unit}"));
                vec![
                    Cell::Text(scope(row)),
                    Cell::Text(component(row)),
                    Cell::Text(words),
                    row.cell(unit(statistic)),
                    row.count_cell("events"),
                    row.count_cell("condemned"),
                ]
            })
            .collect(),
        notes: Vec::new(),
        when_empty: brief.when_empty(
            "sealed_write_off",
            "No condemned machine has a known fault and a known design; nothing can be claimed either way.",
        ),
    }));
    section
}

// --- priority parts and models -------------------------------------------------------------------

fn priority_parts(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("priority-parts", "Which parts to call for");
    section.blocks.push(Block::Paragraph(
        "The three to five parts of each category that fail most. The probability says how sure the records make it that a part belongs among them."
            .to_owned(),
    ));
    let before = section.blocks.len();
    for category in &brief.categories {
        let rows = brief.evidence.rows(&Query::of("priority_part").category(&category.key));
        if rows.is_empty() {
            continue;
        }
        let probability = |row: &Row| row.real("probability").map_or(Cell::Nothing, |p| Cell::Quantity(Quantity::new(p, Unit::Share)));
        let listed = |row: &Row| if row.flag("listed") == Some(true) { "on the list" } else { "not on the list" };
        let table = Table {
            caption: format!("{}: priority parts", category.heading()),
            columns: vec![
                Column::text("Component"),
                Column::number("Rank"),
                Column::number("Failures"),
                Column::number("Machines"),
                Column::number("Probability that it belongs"),
                Column::text("Listed"),
            ],
            rows: rows
                .iter()
                .map(|row| {
                    vec![
                        Cell::Text(brief.component_of(row)),
                        row.count_cell("rank"),
                        row.count_cell("events"),
                        row.count_cell("machines"),
                        probability(row),
                        Cell::Text(listed(row).to_owned()),
                    ]
                })
                .collect(),
            notes: Vec::new(),
            when_empty: String::new(),
        };
        section.blocks.push(Block::Table(shortened(table, MOST_DRAWN, "priority_part")));
    }
    if section.blocks.len() == before {
        section.blocks.push(Block::Note(brief.when_empty("priority_part", "No category has enough faults to say which parts fail most.")));
    }
    section
}

fn standing(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("models", "How models stand against their kind");
    for measure in [Measure::Rate, Measure::WriteOff] {
        for category in &brief.categories {
            let Some(funnel) = models::funnel(brief, category, measure) else { continue };
            let rows = models::standings(brief, category, measure);
            let of = |standing: Standing| rows.iter().filter(|row| models::standing(row) == standing).count() as i64;
            section.blocks.push(Block::Paragraph(format!(
                "Of {} compared: {} worse than their kind, {} better, {} not to be told apart from it, {} without enough evidence.",
                wording::count_of(rows.len() as i64, "model", "models"),
                of(Standing::Worse),
                of(Standing::Better),
                of(Standing::NotDistinguishable),
                of(Standing::NotEnoughEvidence),
            )));
            section.blocks.push(funnel);
        }
    }
    if section.blocks.is_empty() {
        section.blocks.push(Block::Note(brief.when_empty("model_standing", "No model has enough records to be compared with its kind.")));
    }
    section
}
