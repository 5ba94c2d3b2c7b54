//! Valid containers around arbitrary content, so that it gets past checksums and lengths.

use std::io::{Cursor, Write};

use flate2::Compression;
use flate2::write::GzEncoder;
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

/// Stands between the parts of an archive in a fuzz input.
const BETWEEN_PARTS: &[u8] = b"\n%%\n";

/// Name and usual content of the files in an XLSX workbook, the most telling first.
pub const XLSX: [(&str, &str); 7] = [
    ("xl/worksheets/sheet1.xml", include_str!("../parts/sheet1.xml")),
    ("xl/sharedStrings.xml", include_str!("../parts/shared_strings.xml")),
    ("xl/styles.xml", include_str!("../parts/styles.xml")),
    ("xl/workbook.xml", include_str!("../parts/workbook.xml")),
    ("xl/_rels/workbook.xml.rels", include_str!("../parts/workbook_relations.xml")),
    ("_rels/.rels", include_str!("../parts/relations.xml")),
    ("[Content_Types].xml", include_str!("../parts/content_types.xml")),
];

pub const ODS: [(&str, &str); 3] = [
    ("content.xml", include_str!("../parts/content.xml")),
    ("META-INF/manifest.xml", include_str!("../parts/manifest.xml")),
    ("mimetype", "application/vnd.oasis.opendocument.spreadsheet"),
];

/// An archive of these parts. The input replaces the first ones, one after the other; where it ends, the usual content stands.
pub fn archive(parts: &[(&str, &str)], input: &[u8]) -> Vec<u8> {
    let mut replaced = split(input, parts.len()).into_iter();
    let mut writer = ZipWriter::new(Cursor::new(Vec::new()));
    let stored = SimpleFileOptions::default().compression_method(CompressionMethod::Stored);
    for (name, usual) in parts {
        writer.start_file(*name, stored).expect("the name is fit for an archive");
        writer.write_all(replaced.next().unwrap_or(usual.as_bytes())).expect("memory can be written");
    }
    writer.finish().expect("memory can be written").into_inner()
}

fn split(mut input: &[u8], most: usize) -> Vec<&[u8]> {
    let mut pieces = Vec::new();
    while pieces.len() + 1 < most
        && let Some(at) = input.windows(BETWEEN_PARTS.len()).position(|window| window == BETWEEN_PARTS)
    {
        pieces.push(&input[..at]);
        input = &input[at + BETWEEN_PARTS.len()..];
    }
    pieces.push(input);
    pieces
}

pub fn gzip(content: &[u8]) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::fast());
    encoder.write_all(content).expect("memory can be written");
    encoder.finish().expect("memory can be written")
}

/// A Parquet file of pages and a footer of the right length: the first two bytes of the input say how long the footer at its end is.
pub fn parquet(input: &[u8]) -> Vec<u8> {
    const MAGIC: &[u8] = b"PAR1";
    let Some((length, content)) = input.split_first_chunk::<2>() else { return MAGIC.to_vec() };
    let footer_length = usize::from(u16::from_le_bytes(*length)).min(content.len()) as u32;
    [MAGIC, content, &footer_length.to_le_bytes(), MAGIC].concat()
}
