//! Reads records on a thread of its own and works on them on several others, ahead of what is done with them.

use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};
use std::thread;

use super::{Record, TableSource};
use crate::error::IngestError;

const BATCHES_AHEAD: usize = 2;
const RECORDS_PER_BATCH: usize = 64;
/// A batch ends after as many bytes of text, so that long records do not fill the memory.
const BYTES_PER_BATCH: usize = 1 << 20;
/// More would wait for the one thread that takes what they make.
const MOST_WORKERS: usize = 4;

/// Records that were read together, and the bytes of the file read so far.
#[derive(Default)]
struct Batch {
    records: Vec<Record>,
    filled: usize,
    bytes_read: u64,
}

/// What was made of a batch; of `made`, the first `filled` count.
struct Made<T> {
    made: Vec<T>,
    filled: usize,
    bytes_read: u64,
    /// Unless long records have blown it up.
    is_of_use_again: bool,
}

/// The ends of a worker's queues that the thread holds which takes what it makes.
struct Results<T> {
    made: Receiver<Made<T>>,
    used: Sender<Vec<T>>,
}

/// Gives what a worker makes of each record of a table, in the order of the table, to `take`, with the bytes of the file read so far.
///
/// Each thread works with a worker of its own, so that what a worker makes must depend on the record alone. A worker fills a
/// `T` that is blank or has been used before.
///
/// # Errors
/// If the file cannot be read, and what `take` gives.
pub fn for_each_record<W, T>(
    source: &dyn TableSource,
    worker: impl Fn() -> W + Sync,
    blank: impl Fn() -> T + Sync,
    mut take: impl FnMut(&mut T, u64) -> Result<(), IngestError>,
) -> Result<(), IngestError>
where
    W: FnMut(&Record, &mut T),
    T: Send,
{
    let workers = thread::available_parallelism().map_or(1, |cores| cores.get().min(MOST_WORKERS));
    thread::scope(|scope| {
        let (used_records, empty_records) = channel();
        let mut filled = Vec::new();
        let mut results = Vec::new();
        let mut working = Vec::new();
        for _ in 0..workers {
            let (filled_by_reader, records) = sync_channel(BATCHES_AHEAD);
            let (made_by_worker, made) = sync_channel(BATCHES_AHEAD);
            let (used, empty) = channel();
            let (worker, blank, used_records) = (&worker, &blank, used_records.clone());
            working.push(scope.spawn(move || work(worker, blank, &records, &used_records, &made_by_worker, &empty)));
            filled.push(filled_by_reader);
            results.push(Results { made, used });
        }
        let reading = scope.spawn(move || read(source, &filled, &empty_records));
        let result = take_all(results, &mut take);
        for worker in working {
            worker.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        }
        // An error of the reader explains why there were no more records.
        reading.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)).and(result)
    })
}

/// Gives batches to the workers in turn. Ends early where nobody waits for more.
fn read(source: &dyn TableSource, workers: &[SyncSender<Batch>], empty: &Receiver<Batch>) -> Result<(), IngestError> {
    let mut records = source.records()?;
    for worker in workers.iter().cycle() {
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
        if worker.send(batch).is_err() || is_last {
            break;
        }
    }
    Ok(())
}

fn work<W: FnMut(&Record, &mut T), T>(
    new_worker: &dyn Fn() -> W,
    blank: &dyn Fn() -> T,
    waiting: &Receiver<Batch>,
    used_records: &Sender<Batch>,
    done: &SyncSender<Made<T>>,
    empty: &Receiver<Vec<T>>,
) {
    // small files never need the second worker
    let mut worker = None;
    for batch in waiting {
        let worker = worker.get_or_insert_with(new_worker);
        let mut made = empty.try_recv().unwrap_or_default();
        if made.len() < batch.filled {
            made.resize_with(batch.filled, blank);
        }
        for (record, made) in batch.records[..batch.filled].iter().zip(&mut made) {
            worker(record, made);
        }
        let is_of_use_again = batch.records.iter().map(|record| record.text.capacity()).sum::<usize>() <= 2 * BYTES_PER_BATCH;
        let made = Made { made, filled: batch.filled, bytes_read: batch.bytes_read, is_of_use_again };
        if is_of_use_again {
            _ = used_records.send(batch);
        }
        if done.send(made).is_err() {
            return;
        }
    }
}

/// Takes from the workers in the turn in which they were given their batches.
fn take_all<T>(workers: Vec<Results<T>>, take: &mut dyn FnMut(&mut T, u64) -> Result<(), IngestError>) -> Result<(), IngestError> {
    for worker in workers.iter().cycle() {
        let Ok(mut batch) = worker.made.recv() else { break };
        for made in &mut batch.made[..batch.filled] {
            take(made, batch.bytes_read)?;
        }
        if batch.is_of_use_again {
            _ = worker.used.send(batch.made);
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::super::tests::{open_bytes, read_all};
    use super::*;

    type Cells = (u64, Vec<String>);

    fn copy_cells() -> impl FnMut(&Record, &mut Cells) {
        |record, cells| *cells = (record.line, record.fields().map(str::to_owned).collect())
    }

    #[test]
    fn all_records_come_in_order() {
        for rows in [0, 1, 64, 65, 5000] {
            let file: String = std::iter::once("a,b\n".to_owned()).chain((0..rows).map(|row| format!("{row},x\n"))).collect();
            let opened = open_bytes(file.as_bytes()).unwrap();
            let mut found = Vec::new();
            for_each_record(&*opened.tables[0], copy_cells, Cells::default, |(line, cells), _| {
                found.push((*line, Ok(std::mem::take(cells))));
                Ok(())
            })
            .unwrap();
            assert_eq!(found.len(), rows);
            assert_eq!(found, read_all(file.as_bytes()));
        }
    }

    #[test]
    fn an_error_ends_the_reading() {
        let file: String = std::iter::once("a,b\n".to_owned()).chain((0..5000).map(|row| format!("{row},x\n"))).collect();
        let opened = open_bytes(file.as_bytes()).unwrap();
        let mut taken = 0;
        let result = for_each_record(&*opened.tables[0], copy_cells, Cells::default, |_, _| {
            taken += 1;
            if taken == 700 { Err(IngestError::NoRandomness { message: "enough".to_owned() }) } else { Ok(()) }
        });
        assert!(matches!(result, Err(IngestError::NoRandomness { .. })));
        assert_eq!(taken, 700);
    }

    #[test]
    #[should_panic(expected = "a flaw of the worker")]
    fn a_panic_of_a_worker_is_no_end_of_the_file() {
        let opened = open_bytes(b"a,b\n1,2\n").unwrap();
        let worker = || |_: &Record, _: &mut Cells| panic!("a flaw of the worker");
        _ = for_each_record(&*opened.tables[0], worker, Cells::default, |_, _| Ok(()));
    }
}
