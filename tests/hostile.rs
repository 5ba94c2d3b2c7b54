//! Files made to do harm: nothing in them is executed, nothing escapes, memory stays bounded.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;

use crate::support::browser::Browser;
use crate::support::{fixodds, rows, succeed};

/// Texts that a browser, a spreadsheet, a shell, a template, a terminal or a database might obey.
const PAYLOADS: [&str; 10] = [
    "<script>window.obeyed = 1</script>",
    "\"><img src=x onerror=\"window.obeyed = 1\">",
    "</script><script>window.obeyed = 1</script>",
    "=1+2",
    "+cmd|' /C calc'!A0",
    "'; DROP TABLE jobs; --",
    "{{ 7 * 7 }}{% for x in range(1000000000) %}x{% endfor %}",
    "../../../../etc/passwd",
    "\u{1b}[2J\u{7}bell",
    "\u{202e}gpj.exe",
];

fn folder(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("hostile").join(name);
    let _ = fs::remove_dir_all(&folder);
    fs::create_dir_all(&folder).unwrap();
    folder
}

fn text(path: &Path) -> &str {
    path.to_str().expect("a path in UTF-8")
}

fn quoted(cell: &str) -> String {
    format!("\"{}\"", cell.replace('"', "\"\""))
}

/// Jobs, parts and models in which every text is hostile.
fn hostile_records(folder: &Path) -> PathBuf {
    let records = folder.join("records; rm -rf $(HOME) <b>");
    fs::create_dir_all(&records).unwrap();
    let mut jobs =
        "job_id,closed_on,category,brand,model,component,symptoms,outcome,not_repaired_reason,labour_cost,parts_cost,<script>\n".to_owned();
    let mut parts = "job_id,component,part_number,part_source,unit_cost\n".to_owned();
    let mut models = "model,category,brand,platform,drum_design\n".to_owned();
    for n in 0..400 {
        let payload = |k: usize| quoted(PAYLOADS[(n + k) % PAYLOADS.len()]);
        let (component, outcome) = (["drum bearings", "motor", "drain pump"][n % 3], if n % 5 == 0 { "condemned" } else { "repaired" });
        let id = quoted(&format!("{n} {}", PAYLOADS[n % PAYLOADS.len()]));
        let category = if n % 4 == 0 { payload(1) } else { "washing machine".to_owned() };
        let component = if n % 4 == 1 { payload(2) } else { component.to_owned() };
        let day = format!("202{}-03-{:02}", n % 5, n % 28 + 1);
        let (brand, model, symptoms, reason, extra) = (payload(3), payload(4), payload(5), payload(6), payload(7));
        jobs.push_str(&format!(
            "{id},{day},{category},{brand},{model},{component},{symptoms},{outcome},{reason},{},10,{extra}\n",
            20 + n % 30
        ));
        parts.push_str(&format!("{id},{component},{},new,{}\n", payload(8), 5 + n % 7));
        models.push_str(&format!("{model},washing machine,{brand},{},sealed\n", payload(9)));
    }
    for (name, text) in [("jobs'); DROP TABLE jobs; --.csv", jobs), ("..parts.csv", parts), ("models\"><script>.csv", models)] {
        fs::write(records.join(name), text).unwrap();
    }
    records
}

#[test]
fn hostile_text_arrives_as_text_everywhere() {
    let folder = folder("texts");
    let records = hostile_records(&folder);
    let store = folder.join("store");
    let said = succeed(["ingest", text(&records), "--store", text(&store)]);
    assert!(!said.contains('\u{1b}'), "the terminal is not obeyed");
    let jobs = rows(&store, "SELECT count(*) AS n FROM jobs")[0]["n"].as_i64().unwrap();
    assert!(jobs > 350, "{jobs}");
    succeed(["analyse", "--store", text(&store)]);
    let plain = succeed(["query", "--store", text(&store), "SELECT * FROM jobs LIMIT 400"]);
    assert!(!plain.contains('\u{1b}') && !plain.contains('\u{7}'));
    let answer = succeed(["odds", "--store", text(&store), "--category", "washing machine", "--brand", PAYLOADS[0]]);
    assert!(!answer.contains('\u{1b}'));
    let reports = folder.join("reports");
    for format in ["html", "md"] {
        succeed(["report", "--store", text(&store), "--out", text(&reports), "--format", format]);
    }
    let names: Vec<PathBuf> = fs::read_dir(&reports).unwrap().map(|entry| entry.unwrap().path()).collect();
    assert!(names.len() >= 7, "{names:?}");
    for path in &names {
        let text = fs::read_to_string(path).unwrap().to_lowercase();
        for markup in ["<script>window.obeyed", "<img src=x", "7 * 7 }}49", "\u{1b}"] {
            assert!(!text.contains(markup), "{markup:?} in {}", path.display());
        }
    }
    let Some(mut browser) = Browser::start() else { return };
    for path in names.iter().filter(|path| path.extension().is_some_and(|extension| extension == "html")) {
        let load = browser.open(path, 390, false);
        assert!(load.requests.is_empty(), "{}: asks for {:?}", path.display(), load.requests);
        assert_eq!(browser.evaluate("window.obeyed === undefined"), Value::Bool(true), "{}", path.display());
    }
}

/// Runs with no more than 1.5 GB of address space; the program must end by itself and say something.
#[cfg(unix)]
fn within_bounds(arguments: &[&str]) -> (Output, String) {
    let program = assert_cmd::cargo::cargo_bin("fixodds");
    let output = Command::new("sh").args(["-c", "ulimit -v 1500000; exec \"$0\" \"$@\"", text(&program)]).args(arguments).output().unwrap();
    let said = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.code().is_some_and(|code| code <= 1), "{:?}: {said:.500}", output.status);
    assert!(!said.contains("panicked"), "{said:.500}");
    (output, said)
}

#[cfg(unix)]
#[test]
fn what_unpacks_to_far_more_is_refused() {
    let folder = folder("bombs");
    let zeros = vec![b'0'; 1 << 20];
    let gzip = folder.join("jobs.csv.gz");
    let mut encoder = flate2::write::GzEncoder::new(fs::File::create(&gzip).unwrap(), flate2::Compression::default());
    encoder.write_all(b"job_id,closed_on,outcome\n").unwrap();
    (0..400).for_each(|_| encoder.write_all(&zeros).unwrap());
    encoder.finish().unwrap();
    let workbook = folder.join("jobs.xlsx");
    let mut zip = zip::ZipWriter::new(fs::File::create(&workbook).unwrap());
    let options = zip::write::SimpleFileOptions::default();
    zip.start_file("[Content_Types].xml", options).unwrap();
    zip.write_all(b"<?xml version=\"1.0\"?><Types xmlns=\"http://schemas.openxmlformats.org/package/2006/content-types\"/>").unwrap();
    zip.start_file("xl/workbook.xml", options).unwrap();
    zip.write_all(b"<workbook/>").unwrap();
    zip.start_file("xl/worksheets/sheet1.xml", options).unwrap();
    (0..400).for_each(|_| zip.write_all(&zeros).unwrap());
    zip.finish().unwrap();
    for path in [&gzip, &workbook] {
        let (output, said) = within_bounds(&["ingest", text(path), "--store", text(&folder.join("store"))]);
        assert_eq!(output.status.code(), Some(1), "{said:.300}");
        assert!(said.contains(path.file_name().unwrap().to_str().unwrap()), "{said:.300}");
    }
}

#[cfg(unix)]
#[test]
fn a_million_columns_and_deep_nesting_stay_bounded() {
    let folder = folder("shapes");
    let titles: Vec<String> = (0..1_000_000).map(|n| format!("c{n}")).collect();
    let wide = folder.join("wide.csv");
    fs::write(&wide, format!("job_id,closed_on,outcome,{0}\n1,2024-01-01,repaired,{0}\n", titles.join(","))).unwrap();
    let deep = folder.join("deep.jsonl");
    fs::write(
        &deep,
        format!("{{\"job_id\":\"1\",\"closed_on\":\"2024-01-01\",\"outcome\":{}{}}}\n", "[".repeat(1_000_000), "]".repeat(1_000_000)),
    )
    .unwrap();
    let array = folder.join("array.json");
    fs::write(&array, "[".repeat(2_000_000)).unwrap();
    let laughs = folder.join("laughs.xlsx");
    let mut zip = zip::ZipWriter::new(fs::File::create(&laughs).unwrap());
    let options = zip::write::SimpleFileOptions::default();
    let entities: String = (1..12).map(|n| format!("<!ENTITY l{n} \"{}\">", format!("&l{};", n - 1).repeat(10))).collect();
    let doctype = format!("<?xml version=\"1.0\"?><!DOCTYPE sst [<!ENTITY l0 \"ha\">{entities}]>");
    zip.start_file("[Content_Types].xml", options).unwrap();
    zip.write_all(b"<?xml version=\"1.0\"?><Types xmlns=\"http://schemas.openxmlformats.org/package/2006/content-types\"/>").unwrap();
    zip.start_file("_rels/.rels", options).unwrap();
    zip.write_all(b"<?xml version=\"1.0\"?><Relationships xmlns=\"http://schemas.openxmlformats.org/package/2006/relationships\"/>")
        .unwrap();
    zip.start_file("xl/workbook.xml", options).unwrap();
    zip.write_all(format!("{doctype}<workbook><sheets><sheet name=\"../../&l11;\" sheetId=\"1\"/></sheets></workbook>").as_bytes())
        .unwrap();
    zip.start_file("xl/sharedStrings.xml", options).unwrap();
    zip.write_all(format!("{doctype}<sst><si><t>&l11;</t></si></sst>").as_bytes()).unwrap();
    zip.finish().unwrap();
    for path in [&wide, &deep, &array, &laughs] {
        let store = folder.join(format!("store-{}", path.file_stem().unwrap().to_str().unwrap()));
        within_bounds(&["ingest", text(path), "--store", text(&store)]);
        within_bounds(&["check", text(path)]);
    }
}

#[test]
fn a_query_is_bounded() {
    let folder = folder("query");
    let store = folder.join("store");
    succeed(["ingest", text(&hostile_records(&folder)), "--store", text(&store)]);
    for select in [
        "SELECT * FROM range(2000000)",
        "SELECT list(a.range) FROM range(1000000) a, range(10000) b",
        "SELECT * FROM glob('/etc/*')",
        "SELECT getenv('HOME')",
        "SELECT * FROM pragma_database_list() UNION ALL SELECT * FROM read_parquet('/proc/self/mem')",
    ] {
        let output = fixodds(["query", "--store", text(&store), select]);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(
            output.status.code(),
            Some(1),
            "{select}: {}",
            String::from_utf8_lossy(&output.stdout).chars().take(300).collect::<String>()
        );
        assert!(!said.contains("panicked"), "{said}");
    }
}
