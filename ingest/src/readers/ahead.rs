//! Reads records on a thread of its own, ahead of what is done with them.

use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};
use std::thread;

use super::{Record, TableSource};
use crate::error::IngestError;

const BATCHES_AHEAD: usize = 4;
const RECORDS_PER_BATCH: usize = 256;
/// A batch ends after as many bytes of text, so that long records do not fill the memory.
const BYTES_PER_BATCH: usize = 1 << 20;

/// Records that were read together, and the bytes of the file read so far.
#[derive(Default)]
struct Batch {
    records: Vec<Record>,
    filled: usize,
    bytes_read: u64,
}

/// Gives each record of a table, in order, to `take`, with the bytes of the file read so far.
///
/// # Errors
/// If the file cannot be read, and what `take` gives.
pub fn for_each_record(source: &dyn TableSource, mut take: impl FnMut(&Record, u64) -> Result<(), IngestError>) -> Result<(), IngestError> {
    thread::scope(|scope| {
        let (filled, waiting) = sync_channel(BATCHES_AHEAD);
        let (used, empty) = channel();
        let reading = scope.spawn(move || read(source, &filled, &empty));
        let result = take_all(waiting, &used, &mut take);
        // An error of the reader explains why there were no more records.
        reading.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)).and(result)
    })
}

/// Ends early where nobody waits for more.
fn read(source: &dyn TableSource, filled: &SyncSender<Batch>, empty: &Receiver<Batch>) -> Result<(), IngestError> {
    let mut records = source.records()?;
    loop {
        let mut batch = empty.try_recv().unwrap_or_default();
        batch.filled = 0;
        let mut bytes = 0;
        let mut is_last = false;
        while !is_last && batch.filled < RECORDS_PER_BATCH && bytes < BYTES_PER_BATCH {
            if batch.records.len() == batch.filled {
                batch.records.push(Record::default());
            }
            let record = &mut batch.records[batch.filled];
            if records.read(record)? {
                bytes += record.text.len();
                batch.filled += 1;
            } else {
                is_last = true;
            }
        }
        batch.bytes_read = records.bytes_read();
        if filled.send(batch).is_err() || is_last {
            return Ok(());
        }
    }
}

fn take_all(
    waiting: Receiver<Batch>,
    used: &Sender<Batch>,
    take: &mut dyn FnMut(&Record, u64) -> Result<(), IngestError>,
) -> Result<(), IngestError> {
    for batch in waiting {
        for record in &batch.records[..batch.filled] {
            take(record, batch.bytes_read)?;
        }
        // Batches that long records have blown up are not used again.
        if batch.records.iter().map(|record| record.text.capacity()).sum::<usize>() <= 2 * BYTES_PER_BATCH {
            _ = used.send(batch);
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::super::tests::{open_bytes, read_all};
    use super::*;

    #[test]
    fn all_records_come_in_order() {
        let file: String = std::iter::once("a,b\n".to_owned()).chain((0..5000).map(|row| format!("{row},x\n"))).collect();
        let opened = open_bytes(file.as_bytes()).unwrap();
        let mut found = Vec::new();
        for_each_record(&*opened.tables[0], |record, _| {
            found.push((record.line, Ok(record.fields().map(str::to_owned).collect::<Vec<_>>())));
            Ok(())
        })
        .unwrap();
        assert_eq!(found.len(), 5000);
        assert_eq!(found, read_all(file.as_bytes()));
    }

    #[test]
    fn an_error_ends_the_reading() {
        let file: String = std::iter::once("a,b\n".to_owned()).chain((0..5000).map(|row| format!("{row},x\n"))).collect();
        let opened = open_bytes(file.as_bytes()).unwrap();
        let mut taken = 0;
        let result = for_each_record(&*opened.tables[0], |_, _| {
            taken += 1;
            if taken == 700 { Err(IngestError::NoRandomness { message: "enough".to_owned() }) } else { Ok(()) }
        });
        assert!(matches!(result, Err(IngestError::NoRandomness { .. })));
        assert_eq!(taken, 700);
    }
}
