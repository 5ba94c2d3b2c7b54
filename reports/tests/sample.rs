//! Invented evidence, small enough to follow by eye. Brand and model names are invented; one is hostile.

use fixodds_analytics::evidence::{About, FileAccount, PutAside};
use fixodds_reports::evidence_view::{EvidenceInMemory, Value};
use std::collections::BTreeMap;

pub const HOSTILE_MODEL: &str = "Tarnwick <img src=x onerror=alert(1)> | \"W&M\" `1`";

type Interval = (f64, f64, f64);

fn real(value: Option<f64>) -> Value {
    value.map_or(Value::Null, Value::Real)
}

fn text(text: Option<&str>) -> Value {
    text.map_or(Value::Null, Value::from)
}

/// Evidence without any table, of a store without any job.
pub fn nothing() -> EvidenceInMemory {
    let missing = BTreeMap::from([("failure_rate".to_owned(), "There is no roster of machines: shares, not rates.".to_owned())]);
    EvidenceInMemory::new(About {
        sources: Vec::new(),
        as_of: String::new(),
        first_closed_on: String::new(),
        last_closed_on: String::new(),
        currency: String::new(),
        jobs: 0,
        jobs_with_primary_fault: 0,
        jobs_with_several_primary_faults: 0,
        jobs_machine_unknown: 0,
        jobs_age_unknown: 0,
        jobs_other_currency: 0,
        age_basis: BTreeMap::new(),
        machines_in_jobs: 0,
        roster_machines: 0,
        machine_years: 0.0,
        files: Vec::new(),
        put_aside: Vec::new(),
        missing,
        ..about()
    })
}

pub fn evidence() -> EvidenceInMemory {
    let mut evidence = EvidenceInMemory::new(about());
    outcomes(&mut evidence);
    faults(&mut evidence);
    rates(&mut evidence);
    lives(&mut evidence);
    models(&mut evidence);
    rest(&mut evidence);
    evidence
}

fn about() -> About {
    About {
        program_version: "0.1.0".to_owned(),
        snapshot: "000003".to_owned(),
        sources: vec!["workshop".to_owned()],
        as_of: "2024-12-20".to_owned(),
        first_closed_on: "2016-02-01".to_owned(),
        last_closed_on: "2024-12-20".to_owned(),
        currency: "GBP".to_owned(),
        jobs: 4210,
        jobs_with_primary_fault: 3520,
        jobs_fault_not_named: 210,
        jobs_with_several_primary_faults: 44,
        jobs_on_roster: 2120,
        jobs_machine_unknown: 310,
        jobs_age_unknown: 95,
        jobs_other_currency: 2,
        age_basis: BTreeMap::from([("in_service".to_owned(), 2120), ("made".to_owned(), 1995), ("unknown".to_owned(), 95)]),
        machines_in_jobs: 3105,
        roster_machines: 1480,
        roster_stays: 1502,
        roster_machines_observed: 1480,
        roster_machines_age_unknown: 12,
        machine_years: 8204.5,
        models_in_catalogue: 7,
        source_spans: BTreeMap::from([("workshop".to_owned(), ["2016-01-31".to_owned(), "2024-12-20".to_owned()])]),
        files: vec![FileAccount {
            file: "jobs.csv".to_owned(),
            table: "jobs".to_owned(),
            rows_in: 4298,
            accepted: 4200,
            repeats: 61,
            superseded: 10,
            quarantined: 27,
            values_set_aside: 84,
        }],
        inputs: Vec::new(),
        put_aside: vec![PutAside {
            table: "jobs".to_owned(),
            kind: "row".to_owned(),
            column: Some("closed_on".to_owned()),
            reason: "unreadable_date".to_owned(),
            remedy: "Write the date as 2024-12-31.".to_owned(),
            count: 27,
        }],
        table_rows: BTreeMap::new(),
        missing: BTreeMap::new(),
        business: Default::default(),
        holidays: 0,
        least_cell: None,
    }
}

pub fn outcome(evidence: &mut EvidenceInMemory, scope: [&str; 2], outcome: &str, reason: Option<&str>, counts: [i64; 2], share: Interval) {
    let category = match scope[0] {
        "all" => Value::Null,
        "category" => scope[1].into(),
        _ => "washing_machine".into(),
    };
    evidence.push(
        "outcome",
        [
            ("scope_level", scope[0].into()),
            ("scope", scope[1].into()),
            ("category", category),
            ("outcome", outcome.into()),
            ("not_repaired_reason", text(reason)),
            ("jobs", counts[0].into()),
            ("events", counts[1].into()),
            ("estimate", share.0.into()),
            ("lower", share.1.into()),
            ("upper", share.2.into()),
        ],
    );
}

fn outcomes(evidence: &mut EvidenceInMemory) {
    for scope in [["all", "all"], ["category", "washing_machine"]] {
        outcome(evidence, scope, "repaired", None, [4210, 2989], (0.71, 0.696, 0.7236));
        outcome(evidence, scope, "condemned", None, [4210, 758], (0.18, 0.169, 0.192));
        outcome(evidence, scope, "declined", None, [4210, 210], (0.05, 0.0437, 0.0569));
        outcome(evidence, scope, "condemned", Some("cannot_be_opened"), [4210, 312], (0.0741, 0.0666, 0.0824));
        outcome(evidence, scope, "condemned", Some("not_economic"), [4210, 201], (0.0477, 0.0417, 0.0546));
    }
}

const COMPONENTS: [(&str, i64, Interval, Interval); 6] = [
    ("drum_bearings", 812, (0.231, 0.217, 0.245), (0.0312, 0.0278, 0.0349)),
    ("drain_pump", 640, (0.182, 0.170, 0.195), (0.0248, 0.0218, 0.0281)),
    ("carbon_brushes", 402, (0.114, 0.104, 0.125), (0.0301, 0.0251, 0.0358)),
    ("door_lock", 311, (0.088, 0.079, 0.097), (0.0119, 0.0099, 0.0142)),
    ("heating_element", 205, (0.058, 0.051, 0.066), (0.0081, 0.0065, 0.01)),
    ("main_control_board", 14, (0.004, 0.0024, 0.0066), (0.0005, 0.0002, 0.0011)),
];

fn faults(evidence: &mut EvidenceInMemory) {
    for (component, events, share, _) in COMPONENTS {
        evidence.push(
            "fault_share",
            [
                ("scope_level", "category".into()),
                ("scope", "washing_machine".into()),
                ("category", "washing_machine".into()),
                ("component", component.into()),
                ("role", "primary".into()),
                ("statistic", "share".into()),
                ("jobs", 3520_i64.into()),
                ("events", events.into()),
                ("estimate", share.0.into()),
                ("lower", share.1.into()),
                ("upper", share.2.into()),
            ],
        );
        let middle = 60.0 + 400.0 * share.0;
        for (statistic, estimate) in [("mean", middle * 1.12), ("median", middle), ("p90", middle * 1.9)] {
            let few = component == "main_control_board";
            for (cost, scale) in [("total", 1.0), ("labour_minutes", 0.5)] {
                evidence.push(
                    "repair_cost",
                    [
                        ("scope_level", "category".into()),
                        ("scope", "washing_machine".into()),
                        ("category", "washing_machine".into()),
                        ("component", component.into()),
                        ("cost", cost.into()),
                        ("statistic", statistic.into()),
                        ("jobs", (events / 2).into()),
                        ("estimate", if few { Value::Null } else { (estimate * scale).into() }),
                        ("lower", if few { Value::Null } else { (estimate * scale * 0.93).into() }),
                        ("upper", if few { Value::Null } else { (estimate * scale * 1.08).into() }),
                        ("reason", if few { "cannot be estimated because only 7 jobs state their cost".into() } else { Value::Null }),
                    ],
                );
            }
        }
    }
}

const BANDS: [(f64, Option<f64>); 13] = [
    (0.0, Some(1.0)),
    (1.0, Some(2.0)),
    (2.0, Some(3.0)),
    (3.0, Some(4.0)),
    (4.0, Some(5.0)),
    (5.0, Some(6.0)),
    (6.0, Some(7.0)),
    (7.0, Some(8.0)),
    (8.0, Some(9.0)),
    (9.0, Some(10.0)),
    (10.0, Some(12.0)),
    (12.0, Some(15.0)),
    (15.0, None),
];

fn rate(
    evidence: &mut EvidenceInMemory,
    component: Option<&str>,
    band: Option<(f64, Option<f64>)>,
    events: i64,
    rate: Interval,
    known: bool,
) {
    let estimate = |value: f64| if known { Value::Real(value) } else { Value::Null };
    evidence.push(
        "failure_rate",
        [
            ("scope_level", "category".into()),
            ("scope", "washing_machine".into()),
            ("category", "washing_machine".into()),
            ("component", text(component)),
            ("age_from_years", real(band.map(|band| band.0))),
            ("age_to_years", real(band.and_then(|band| band.1))),
            ("events", events.into()),
            ("repeat_events", (events / 20).into()),
            ("machines", 1480.into()),
            ("machines_trait_unknown", 12.into()),
            ("machine_years", 8204.5.into()),
            ("estimate", estimate(rate.0)),
            ("lower", estimate(rate.1)),
            ("upper", estimate(rate.2)),
            ("reason", if known { Value::Null } else { "cannot be estimated because no machine was observed at this age".into() }),
        ],
    );
}

fn rates(evidence: &mut EvidenceInMemory) {
    rate(evidence, None, None, 1204, (0.1467, 0.1386, 0.1553), true);
    for (place, (component, events, _, all_ages)) in COMPONENTS.into_iter().enumerate() {
        rate(evidence, Some(component), None, events / 3, all_ages, true);
        for (age, band) in BANDS.into_iter().enumerate() {
            let grown = all_ages.0 * if place % 2 == 0 { 0.15 + 0.2 * age as f64 } else { 1.2 - 0.05 * age as f64 };
            rate(evidence, Some(component), Some(band), 30 - 2 * age as i64, (grown, grown * 0.7, grown * 1.4), age < 12);
        }
    }
}

fn life(
    evidence: &mut EvidenceInMemory,
    component: &str,
    curve: [Option<&str>; 2],
    age: Option<f64>,
    estimate: Interval,
    pattern: Option<&str>,
) {
    evidence.push(
        "life",
        [
            ("scope_level", "category".into()),
            ("scope", "washing_machine".into()),
            ("category", "washing_machine".into()),
            ("component", component.into()),
            ("curve", text(curve[0])),
            ("statistic", text(curve[1])),
            ("age_years", real(age)),
            ("at_risk", 700.into()),
            ("events", 211.into()),
            ("machines", 1480.into()),
            ("hazard_pattern", text(pattern)),
            ("estimate", estimate.0.into()),
            ("lower", estimate.1.into()),
            ("upper", estimate.2.into()),
        ],
    );
}

fn lives(evidence: &mut EvidenceInMemory) {
    for (place, (component, ..)) in COMPONENTS.into_iter().take(5).enumerate() {
        let worn = place % 2 == 0;
        let shape = if worn { (2.9, 2.6, 3.2) } else { (1.02, 0.9, 1.15) };
        life(evidence, component, [Some("weibull"), Some("shape")], None, shape, Some(if worn { "wear_out" } else { "random" }));
        life(
            evidence,
            component,
            [Some("weibull"), Some("b10_years")],
            None,
            (6.1 + place as f64, 5.7 + place as f64, 6.6 + place as f64),
            None,
        );
        for step in 1..=40 {
            let age = f64::from(step) * 0.35;
            let scale = 17.0 + 3.0 * place as f64;
            let failed = 1.0 - (-(age / scale).powf(shape.0)).exp();
            let left = 1.0 - failed;
            life(evidence, component, [Some("survival"), None], Some(age), (left, left * 0.9, (left * 1.05).min(1.0)), None);
            life(
                evidence,
                component,
                [Some("cumulative_incidence"), None],
                Some(age),
                (failed, failed * 0.85, (failed * 1.15).min(1.0)),
                None,
            );
        }
    }
    for step in 1..=30 {
        let age = f64::from(step) * 0.5;
        evidence.push(
            "recurrence",
            [
                ("scope_level", "category".into()),
                ("scope", "washing_machine".into()),
                ("category", "washing_machine".into()),
                ("age_years", age.into()),
                ("at_risk", 900.into()),
                ("estimate", (0.08 * age + 0.004 * age * age).into()),
                ("lower", (0.07 * age + 0.004 * age * age).into()),
                ("upper", (0.09 * age + 0.004 * age * age).into()),
            ],
        );
    }
}

fn models(evidence: &mut EvidenceInMemory) {
    let names = ["Tarnwick W70", "Ollerby 5210", "Ollerby 7214", "Brackmere Q1", "Brackmere Q2", "Tarnwick W90", HOSTILE_MODEL];
    for (place, name) in names.into_iter().enumerate() {
        let jobs = 700 / (place as i64 + 1);
        let share = 0.18 + [0.11, -0.08, 0.02, -0.01, 0.03, -0.02, 0.05][place];
        let half = 0.9 / (jobs as f64).sqrt();
        outcome(evidence, ["model", name], "repaired", None, [jobs, jobs * 7 / 10], (0.7, 0.7 - half, 0.7 + half));
        outcome(evidence, ["model", name], "condemned", None, [jobs, jobs / 5], (share, share - half, share + half));
        let standing = [Some("worse"), Some("better"), Some("not_distinguishable")].get(place).copied().unwrap_or(None);
        for (measure, scale) in [("write_off", 1.0), ("rate", 0.8)] {
            evidence.push(
                "model_standing",
                [
                    ("scope_level", "model".into()),
                    ("scope", name.into()),
                    ("category", "washing_machine".into()),
                    ("measure", measure.into()),
                    ("jobs", jobs.into()),
                    ("events", (jobs / 5).into()),
                    ("machine_years", (jobs as f64 * 2.1).into()),
                    ("crude", (share * scale).into()),
                    ("expected_events", (jobs as f64 * 0.18).into()),
                    ("ratio", (share / 0.18).into()),
                    ("prob_worse", 0.42.into()),
                    ("funnel_lower", ((0.18 - half) / 0.18).into()),
                    ("funnel_upper", ((0.18 + half) / 0.18).into()),
                    ("category_mean", (0.18 * scale).into()),
                    ("standing", text(standing)),
                    ("estimate", (share * scale).into()),
                    ("lower", ((share - half) * scale).into()),
                    ("upper", ((share + half) * scale).into()),
                ],
            );
        }
    }
}

/// Prices of a part and of the assembly that seals it in, and their ratio.
fn part_prices(evidence: &mut EvidenceInMemory) {
    for (scope_level, scope, component, statistic, compared, (estimate, lower, upper)) in [
        ("all", "all", "drum_bearings", "line_cost", None, (18.5, 17.2, 19.9)),
        ("all", "all", "drum_assembly", "line_cost", None, (214.0, 205.0, 226.0)),
        ("all", "all", "drum_assembly", "assembly_to_part", Some("drum_bearings"), (11.6, 10.9, 12.3)),
        ("category", "washing_machine", "drum_assembly", "assembly_to_part", Some("drum_bearings"), (11.6, 10.9, 12.3)),
    ] {
        evidence.push(
            "part_price",
            [
                ("scope_level", scope_level.into()),
                ("scope", scope.into()),
                ("component", component.into()),
                ("part_source", "new-original".into()),
                ("statistic", statistic.into()),
                ("compared_component", text(compared)),
                ("parts", 61.into()),
                ("machines", 58.into()),
                ("compared_parts", 140.into()),
                ("estimate", estimate.into()),
                ("lower", lower.into()),
                ("upper", upper.into()),
            ],
        );
    }
}

fn rest(evidence: &mut EvidenceInMemory) {
    part_prices(evidence);
    for (statistic, component, estimate) in [
        ("of_condemned_design_known", None, (0.41, 0.37, 0.452)),
        ("of_condemned_design_known", Some("drum_bearings"), (0.33, 0.29, 0.37)),
        ("machines_lost", None, (251.0, 251.0, 251.0)),
        ("value_lost", None, (80_321.4, 80_321.4, 80_321.4)),
        ("mass_kg_lost", None, (16_315.0, 16_315.0, 16_315.0)),
    ] {
        evidence.push(
            "sealed_write_off",
            [
                ("scope_level", "all".into()),
                ("scope", "all".into()),
                ("statistic", statistic.into()),
                ("component", text(component)),
                ("jobs", 840.into()),
                ("condemned", 612.into()),
                ("events", 251.into()),
                ("estimate", estimate.0.into()),
                ("lower", estimate.1.into()),
                ("upper", estimate.2.into()),
            ],
        );
    }
    for (component, scale) in [(None, 1.0), (Some("drum_bearings"), 1.6), (Some("drain_pump"), 0.7)] {
        for (statistic, finding, (estimate, lower, upper)) in [
            ("risk_ratio_crude", Some("higher"), (2.6, 2.2, 3.1)),
            ("risk_ratio_mantel_haenszel", Some("higher"), (2.1, 1.8, 2.5)),
            ("risk_homogeneity_p", None, (0.03, 0.03, 0.03)),
            ("rate_ratio_crude", Some("no_difference_shown"), (1.2, 0.9, 1.6)),
            ("rate_ratio_mantel_haenszel", Some("no_difference_shown"), (1.1, 0.9, 1.35)),
        ] {
            let write_off = statistic.starts_with("risk");
            let scale = if statistic.ends_with("_p") { 1.0 } else { scale };
            evidence.push(
                "design_contrast",
                [
                    ("scope_level", "category".into()),
                    ("scope", "washing_machine".into()),
                    ("category", "washing_machine".into()),
                    ("contrast", "drum_design".into()),
                    ("exposed", "sealed".into()),
                    ("reference", "bolted".into()),
                    ("component", text(component)),
                    ("outcome", if write_off { "write_off" } else { "failure" }.into()),
                    ("statistic", statistic.into()),
                    ("exposed_events", 312.into()),
                    ("exposed_total", 840.0.into()),
                    ("reference_events", 190.into()),
                    ("reference_total", 1020.0.into()),
                    ("strata", 11.into()),
                    ("q_value", 0.012.into()),
                    ("finding", text(finding)),
                    ("estimate", (estimate * scale).into()),
                    ("lower", (lower * scale).into()),
                    ("upper", (upper * scale).into()),
                ],
            );
        }
    }
    for (place, (component, events, share, _)) in COMPONENTS.into_iter().enumerate() {
        evidence.push(
            "priority_part",
            [
                ("scope_level", "category".into()),
                ("scope", "washing_machine".into()),
                ("category", "washing_machine".into()),
                ("component", component.into()),
                ("rank", (place as i64 + 1).into()),
                ("events", events.into()),
                ("machines", 1480.into()),
                ("probability", (1.0 - 0.15 * place as f64).into()),
                ("listed", (place < 4).into()),
                ("estimate", share.0.into()),
                ("lower", share.1.into()),
                ("upper", share.2.into()),
            ],
        );
    }
    evidence.push(
        "cascade",
        [
            ("scope_level", "category".into()),
            ("scope", "washing_machine".into()),
            ("category", "washing_machine".into()),
            ("component", "carbon_brushes".into()),
            ("consequential_component", "motor_control_board".into()),
            ("jobs", 380.into()),
            ("events", 61.into()),
            ("lift", 5.4.into()),
            ("lift_lower", 3.9.into()),
            ("lift_upper", 7.4.into()),
            ("estimate", 0.1605.into()),
            ("lower", 0.127.into()),
            ("upper", 0.2008.into()),
        ],
    );
    for (component, source, scope, horizon, same_fault, estimate) in [
        (None, None, None, 90_i64, false, (0.061, 0.051, 0.073)),
        (None, None, None, 365, false, (0.171, 0.155, 0.189)),
        (None, None, None, 365, true, (0.034, 0.027, 0.043)),
        (Some("carbon_brushes"), None, None, 365, true, (0.048, 0.03, 0.076)),
        (Some("carbon_brushes"), Some("new-original"), None, 365, true, (0.043, 0.029, 0.063)),
        (Some("carbon_brushes"), Some("used"), None, 365, true, (0.081, 0.05, 0.13)),
        (Some("carbon_brushes"), None, Some("both_replaced"), 365, true, (0.02, 0.008, 0.05)),
        (Some("carbon_brushes"), None, Some("consequential_only"), 365, true, (0.31, 0.2, 0.46)),
    ] {
        for roster_only in [true, false] {
            evidence.push(
                "recall",
                [
                    ("scope_level", "all".into()),
                    ("scope", "all".into()),
                    ("component", text(component)),
                    ("part_source", text(source)),
                    ("repair_scope", text(scope)),
                    ("horizon_days", horizon.into()),
                    ("same_fault", same_fault.into()),
                    ("roster_only", roster_only.into()),
                    ("jobs", 2101.into()),
                    ("events", 120.into()),
                    ("estimate", estimate.0.into()),
                    ("lower", estimate.1.into()),
                    ("upper", estimate.2.into()),
                ],
            );
        }
    }
}
