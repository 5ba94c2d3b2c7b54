#[path = "../tests/sample.rs"]
mod sample;
fn main() {
    use fixodds_reports::document::Reader;
    let out = std::env::args().nth(1).unwrap();
    for reader in Reader::ALL {
        let document = fixodds_reports::documents::build(reader, &sample::evidence(), fixodds_schemas::vocabulary());
        for format in fixodds_reports::exporters::Format::ALL {
            std::fs::write(format!("{out}/{}.{}", reader.key(), format.extension()), format.exporter().export(&document).unwrap()).unwrap();
        }
    }
}
