//! The repair business: contributions, quotes, stock, donors and trends against what the simulator knows, and settings that make no sense.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::support::{demo, fixodds, rows, succeed};

fn demo_rows(select: &str) -> Vec<Value> {
    rows(&demo().join("store"), select)
}

fn number(row: &Value, name: &str) -> f64 {
    row[name].as_f64().unwrap_or_else(|| panic!("{name} in {row}"))
}

fn truth() -> Value {
    serde_json::from_str(&fs::read_to_string(demo().join("records/truth/truth.json")).unwrap()).unwrap()
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

fn fresh(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    if folder.exists() {
        fs::remove_dir_all(&folder).unwrap();
    }
    fs::create_dir_all(&folder).unwrap();
    folder
}

/// Mean of what is left of a job before recalls, by model, with its standard error, over six times as many jobs of the same scenario under another seed.
fn margins_of_many_jobs() -> BTreeMap<String, (f64, f64)> {
    let folder = fresh("many-jobs");
    succeed(["simulate", "--clean", "--seed", "77", "--jobs", "200000", "--out", text(&folder)]);
    let file = fs::read_to_string(folder.join("jobs.csv")).unwrap();
    let mut lines = file.lines();
    let header: Vec<&str> = lines.next().unwrap().split(',').collect();
    let place = |name: &str| header.iter().position(|column| *column == name).unwrap_or_else(|| panic!("{name} in {header:?}"));
    let [brand, model, charged, parts, minutes, site, visits] =
        ["brand", "model", "charged", "parts_cost", "labour_minutes", "site", "visits"].map(place);
    let mut sums: BTreeMap<String, [f64; 3]> = BTreeMap::new();
    for line in lines {
        let cells: Vec<&str> = line.split(',').collect();
        let amount = |column: usize| cells.get(column).and_then(|cell| cell.parse::<f64>().ok());
        let (Some(charged), Some(minutes), Some(visits)) = (amount(charged), amount(minutes), amount(visits)) else { continue };
        // The default settings: 40 an hour, 15 a journey.
        let travel = if cells[site] == "home" { 15.0 * visits } else { 0.0 };
        let left = charged - amount(parts).unwrap_or(0.0) - minutes / 60.0 * 40.0 - travel;
        let key = format!("{} {}", cells[brand], cells[model].replace([' ', '-'], "").to_uppercase());
        let [jobs, sum, squares] = sums.entry(key).or_default();
        (*jobs, *sum, *squares) = (*jobs + 1.0, *sum + left, *squares + left * left);
    }
    let known = sums.into_iter().map(|(model, [jobs, sum, squares])| {
        let mean = sum / jobs;
        (model, (mean, ((squares / jobs - mean * mean) / jobs).sqrt()))
    });
    known.collect()
}

#[test]
fn contributions_recover_those_of_many_jobs() {
    let truth = margins_of_many_jobs();
    let found = demo_rows(
        "SELECT c.scope, c.lower + r.estimate AS lower, c.upper + r.estimate AS upper, c.own_weight
         FROM take_on c JOIN take_on r ON r.scope = c.scope AND r.scope_level = c.scope_level AND r.measure = 'recall_cost'
         WHERE c.scope_level = 'model' AND c.measure = 'contribution' AND c.lower IS NOT NULL ORDER BY c.scope",
    );
    let known: Vec<(&Value, (f64, f64))> = found.iter().filter_map(|row| Some((row, *truth.get(row["scope"].as_str()?)?))).collect();
    assert!(known.len() > 100, "only {} models to compare", known.len());
    let holds = |(row, (mean, error)): &&(&Value, (f64, f64))| {
        // Many jobs are not all jobs: their mean has an error of its own.
        let [half, middle] =
            [(number(row, "upper") - number(row, "lower")) / 2.0, f64::midpoint(number(row, "upper"), number(row, "lower"))];
        (middle - mean).abs() <= half.hypot(1.96 * error)
    };
    let share = known.iter().filter(holds).count() as f64 / known.len() as f64;
    // Measured: 88 to 93 % under five seeds, less than the 95 % stated: models are not quite alike within a platform, nor their contributions normal.
    assert!(share > 0.85, "{:.1} % of {} intervals hold the mean of many jobs", share * 100.0, known.len());
    assert!(found.iter().all(|row| (0.0..=1.0).contains(&number(row, "own_weight"))));
}

#[test]
fn the_money_of_a_job_adds_up() {
    for row in demo_rows(
        "PIVOT (SELECT scope, measure, estimate FROM take_on WHERE scope_level IN ('all', 'category') AND statistic = 'mean')
         ON measure USING max(estimate) ORDER BY scope",
    ) {
        let costs: f64 = ["parts", "labour", "travel", "recall_cost"].iter().map(|name| number(&row, name)).sum();
        assert!((number(&row, "charged") - costs - number(&row, "contribution")).abs() < 1e-6, "{row}");
    }
}

/// Of repairs that the simulator makes fail again, those do within 90 days that an exponential delay of 45 days on average (60 after damage) lets,
/// and only some come back to this workshop; by chance some fail anew.
#[test]
fn recalls_are_about_those_that_the_simulator_made() {
    let (mut repaired, mut returning) = (0.0, 0.0);
    for row in truth()["realised"]["repairs"].as_array().unwrap() {
        repaired += number(row, "repaired");
        returning += number(row, "will_return");
    }
    let within_90_days = returning / repaired * (1.0 - (-90.0f64 / 45.0).exp());
    let all = &demo_rows("SELECT estimate FROM take_on WHERE scope_level = 'all' AND measure = 'recall'")[0];
    let ratio = number(all, "estimate") / within_90_days;
    assert!((0.7..1.3).contains(&ratio), "{ratio}");
}

#[test]
fn the_verdict_follows_the_users_limits() {
    let folder = fresh("limits");
    succeed(["ingest", text(&demo().join("records")), "--store", text(&folder.join("store"))]);
    let defaults = succeed(["business"]);
    let verdicts = |from: &str, to: &str| {
        let file = folder.join("business.toml");
        assert!(defaults.contains(from));
        fs::write(&file, defaults.replace(from, to)).unwrap();
        succeed(["analyse", "--store", text(&folder.join("store")), "--business", text(&file)]);
        let select = "SELECT verdict, count(*) AS models FROM take_on WHERE measure = 'contribution' AND scope_level = 'model' GROUP BY 1";
        let counted = rows(&folder.join("store"), select);
        counted.iter().map(|row| (row["verdict"].as_str().unwrap().to_owned(), row["models"].as_i64().unwrap())).collect::<BTreeMap<_, _>>()
    };
    let dear = verdicts("labour_per_hour = 40.0", "labour_per_hour = 90.0");
    assert!(dear["decline"] > 100 && !dear.contains_key("take_on"), "{dear:?}");
    let free = verdicts("labour_per_hour = 40.0", "labour_per_hour = 0");
    assert!(free["take_on"] > 100 && !free.contains_key("decline"), "{free:?}");
}

#[test]
fn settings_that_make_no_sense_are_told_with_file_and_line() {
    let folder = fresh("nonsense");
    let file = folder.join("business.toml");
    let defaults = succeed(["business"]);
    let line = 1 + defaults.lines().position(|line| line.starts_with("travel_per_visit")).unwrap();
    for (to, says) in
        [("travel_per_visit = -4", "must lie between 0"), ("travel_per_visit = \"a lot\"", "must be a number"), ("", "does not set")]
    {
        let changed: Vec<&str> = defaults.lines().map(|line| if line.starts_with("travel_per_visit") { to } else { line }).collect();
        fs::write(&file, changed.join("\n")).unwrap();
        let output = fixodds(["analyse", "--store", text(&demo().join("store")), "--business", text(&file)]);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(1), "{said}");
        assert!(said.contains("business.toml: line") && said.contains(says), "{said}");
        assert!(to.is_empty() || said.contains(&format!("line {line}:")), "{said}");
    }
    let missing = fixodds(["analyse", "--store", text(&demo().join("store")), "--business", text(&folder.join("none.toml"))]);
    assert_eq!(missing.status.code(), Some(1));
}

fn quote(arguments: &[&str]) -> Value {
    let store = demo().join("store");
    let answer = succeed(["quote", "--json", "--store", text(&store)].iter().chain(arguments));
    serde_json::from_str(&answer).unwrap()
}

#[test]
fn a_quote_holds_its_limit_and_its_parts_agree() {
    let found = quote(&["--category", "washing machine", "--age", "7"]);
    let [price, expected, p10, p90] = ["price", "expected_cost", "p10_cost", "p90_cost"].map(|name| number(&found, name));
    assert!(p10 < expected && expected < p90 && price >= p90.floor(), "{found}");
    assert!((number(&found, "expected_contribution") - (price - expected)).abs() < 1e-9);
    // At most one repair in ten costs more: on the year held out the rule kept it, but for prices that rise by 2.5 % a year.
    let exceeded = &found["held_out"]["exceeded"];
    assert!((0.07..0.16).contains(&number(exceeded, "estimate")), "{exceeded}");
    let write_off = &found["write_off"];
    let value = |name: &str| number(&write_off[name], "estimate");
    let break_even = number(write_off, "price_new") * value("remaining_years") / value("life_of_new_years");
    assert!((value("better_above") / break_even - 1.0).abs() < 1e-9);
    assert!((value("cost_per_year_repaired") - price / value("remaining_years")).abs() < 1e-6);
    // A machine of eleven years has less to live than one of seven, which has less than a new one.
    let old = quote(&["--category", "washing machine", "--age", "11"]);
    assert!(number(&old["write_off"]["remaining_years"], "estimate") < value("remaining_years"));
    assert!(value("remaining_years") < value("life_of_new_years"));
}

/// On a sealed drum a bearing takes the whole assembly, which the scenario prices at a share of the machine's price new; on a bolted one it does not.
#[test]
fn a_sealed_drum_is_quoted_with_its_assembly() {
    let truth = truth();
    let share = number(&truth["scenario"]["sealed"], "assembly_price_share");
    let cost = |design: &str| {
        let select = format!(
            "SELECT avg(q.estimate) AS cost, avg(m.price_new) AS price FROM quote q
             JOIN (SELECT platform, avg(price_new) AS price_new FROM models WHERE drum_design = '{design}' AND category = 'washing_machine' GROUP BY 1) m
             ON m.platform = q.scope WHERE q.scope_level = 'platform' AND q.component = 'drum_bearings' AND q.statistic = 'expected_cost'"
        );
        let row = demo_rows(&select).remove(0);
        (number(&row, "cost"), number(&row, "price"))
    };
    let ((sealed, price), (bolted, _)) = (cost("sealed"), cost("bolted"));
    let labour_and_travel = (95.0, 190.0);
    assert!(
        sealed > share * price + labour_and_travel.0 && sealed < share * price * 1.1 + labour_and_travel.1,
        "{sealed} against {}",
        share * price
    );
    assert!(bolted < sealed - 60.0, "{bolted} {sealed}");
}

#[test]
fn a_quote_says_what_it_cannot_say() {
    let store = demo().join("store");
    let said = succeed(["quote", "--store", text(&store), "--category", "washing machine", "--symptom", "purple moods"]);
    assert!(said.contains("is no symptom that this program knows") && said.contains("the age is not known"), "{said}");
    assert!(said.contains("not yours"), "the default settings are named: {said}");
    let negative = fixodds(["quote", "--store", text(&store), "--category", "washing machine", "--age", "-3"]);
    assert_eq!(negative.status.code(), Some(1));
    let nowhere = fixodds(["quote", "--store", text(&fresh("no-store"))]);
    assert_eq!(nowhere.status.code(), Some(1));
}

#[test]
fn the_van_list_keeps_its_budget_and_helps() {
    let van = &demo_rows("SELECT sum(price * level) AS cost, count(*) AS parts FROM stock_list WHERE place = 'van'")[0];
    assert!(number(van, "cost") <= 600.0 && number(van, "parts") >= 10.0, "{van}");
    let shares: BTreeMap<String, (f64, f64, f64)> =
        demo_rows("SELECT list, lower, estimate, upper FROM stock_list WHERE place = 'held_out'")
            .iter()
            .map(|row| (row["list"].as_str().unwrap().to_owned(), (number(row, "lower"), number(row, "estimate"), number(row, "upper"))))
            .collect();
    assert!(shares["with_list"].0 > shares["nothing_carried"].2, "{shares:?}");
    for row in demo_rows("SELECT component, part_family, prob_met, level FROM stock_list WHERE place = 'shelf'") {
        assert!(number(&row, "prob_met") >= 0.95 && number(&row, "level") >= 1.0, "{row}");
    }
}

#[test]
fn used_parts_cost_what_the_scenario_says() {
    let truth = truth();
    let mut compared = 0;
    for component in truth["scenario"]["component"].as_array().unwrap() {
        let Some(range) = component["used_price"].as_array() else { continue };
        let middle = f64::midpoint(range[0].as_f64().unwrap(), range[1].as_f64().unwrap());
        let key = component["key"].as_str().unwrap();
        let select = format!("SELECT max(price) AS price FROM donor_value WHERE component = '{key}' AND category = 'washing_machine'");
        if let Some(price) = demo_rows(&select)[0]["price"].as_f64() {
            compared += 1;
            assert!((price / middle - 1.0).abs() < 0.15, "{key}: {price} against {middle}");
        }
    }
    assert!(compared >= 5, "only {compared} parts to compare");
    for row in demo_rows("SELECT prob_sold, prob_good FROM donor_value WHERE component IS NOT NULL AND estimate IS NOT NULL") {
        assert!((0.0..=1.0).contains(&number(&row, "prob_sold")) && (0.0..=1.0).contains(&number(&row, "prob_good")), "{row}");
    }
}

/// The simulator's prices rise by 2.5 % a year and its hazards do not change with the calendar.
#[test]
fn trends_recover_the_price_drift_and_flag_nothing_else() {
    let drift = 1.0 + number(&truth()["scenario"]["cost"], "price_drift_per_year");
    let change = |measure: &str| {
        let select = format!(
            "SELECT estimate, lower, upper, trend FROM trend WHERE scope_level = 'all' AND measure = '{measure}' AND statistic = 'change_per_year'"
        );
        demo_rows(&select).remove(0)
    };
    // Labour is minutes times the hourly rate, and minutes follow the mix of faults.
    let (labour, minutes) = (change("labour"), change("labour_minutes"));
    let expected = drift * number(&minutes, "estimate");
    assert!(number(&labour, "lower") <= expected && expected <= number(&labour, "upper"), "{labour} {expected}");
    assert_eq!(labour["trend"], "rising");
    let rates = demo_rows(
        "SELECT scope, component, trend FROM trend WHERE measure = 'failure_rate' AND statistic = 'change_per_year' AND trend IS NOT NULL AND component IS NOT NULL",
    );
    let flagged = rates.iter().filter(|row| row["trend"] == "rising" || row["trend"] == "falling").count();
    assert!(rates.len() > 200 && flagged * 50 <= rates.len(), "{flagged} of {} rates are said to change", rates.len());
    let years = demo_rows(
        "SELECT sum(machine_years) AS years FROM trend WHERE scope_level = 'all' AND component IS NULL AND measure = 'failure_rate' AND statistic = 'year'",
    );
    let all =
        demo_rows("SELECT machine_years FROM failure_rate WHERE scope_level = 'all' AND component IS NULL AND age_from_years IS NULL");
    assert!((number(&years[0], "years") / number(&all[0], "machine_years") - 1.0).abs() < 0.02);
}
