use fixodds_ingest::*;
use std::path::PathBuf;
fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let today = chrono::NaiveDate::parse_from_str(&args[1], "%Y-%m-%d").unwrap();
    let mut options = IngestOptions::new(&args[0], today);
    options.identity_key = Some(IdentityKey::fixed(*b"a fixed key for demonstrations!!"));
    if let Ok(path) = std::env::var("MAPPING") {
        options.mapping = Mapping::read(path.as_ref(), fixodds_schemas::vocabulary()).unwrap();
    }
    let mut files: Vec<PathBuf> = args[2..].iter().map(PathBuf::from).collect();
    let start = std::time::Instant::now();
    if files[0].to_str() == Some("--check") {
        files.remove(0);
        match check(&files, &options) {
            Ok(report) => println!("{}", serde_json::to_string_pretty(&report).unwrap()),
            Err(error) => println!("{error}"),
        }
        return;
    }
    match ingest(&files, &options, &mut |_| {}) {
        Ok(report) => {
            for account in &report.tables {
                println!("{account:?} {}", account.balances());
            }
            for doubt in &report.doubts {
                println!("- {doubt} {}", doubt.advice());
            }
            println!("snapshot {} in {:?}", report.snapshot, start.elapsed());
        }
        Err(error) => println!("{error}"),
    }
}
