//! The readers of workbooks and Parquet turn a panic of a library into an error, but libFuzzer ends at every panic, caught or not.

use std::cell::Cell;
use std::panic::{AssertUnwindSafe, PanicHookInfo, catch_unwind, set_hook, take_hook};

thread_local! {
    static LAST: Cell<Option<String>> = const { Cell::new(None) };
}

/// Lets panics of libraries unwind to the reader. Those that begin in this repository still end the run, also where a reader would
/// catch them.
pub fn let_readers_catch() {
    let abort = take_hook();
    set_hook(Box::new(move |panic: &PanicHookInfo<'_>| {
        if is_of_library(panic) {
            LAST.set(Some(panic.to_string()));
        } else {
            abort(panic);
        }
    }));
}

fn is_of_library(panic: &PanicHookInfo<'_>) -> bool {
    panic.location().is_some_and(|location| location.file().contains("/registry/src/") || location.file().starts_with("/rustc/"))
}

/// Ends the run at a panic that no reader has caught, saying which.
pub fn must_be_caught(work: impl FnOnce()) {
    if catch_unwind(AssertUnwindSafe(work)).is_err() {
        eprintln!("a panic of a library was not caught: {}", LAST.take().unwrap_or_default());
        std::process::abort();
    }
}
