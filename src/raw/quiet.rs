//! Where foreign decoders run: a panic in there comes back as a value and prints nothing.
//!
//! Catching a panic is not enough. The panic hook has printed before the stack unwinds, and
//! the decoders share their work out over threads, so a flag on the calling thread would miss
//! most panics. Therefore they run in a pool of their own whose threads are marked once, when
//! they start; a hook, installed once, stays silent on marked threads and hands every other
//! panic to the hook that was there before. A program that sets a hook of its own does so
//! before the first frame is read.

use std::any::Any;
use std::cell::Cell;
use std::panic::{self, AssertUnwindSafe};
use std::sync::{Once, OnceLock};

use rayon::{ThreadPool, ThreadPoolBuilder};

/// Stack of a decoding thread. Hostile directories nest deep, and a stack that overflows ends
/// the process; four times the usual size (20,000 damaged files did not overflow it).
const STACK: usize = 8 << 20;

thread_local! {
    static MARKED: Cell<bool> = const { Cell::new(false) };
}

/// Why work gave no value.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Failure {
    /// It panicked with this message.
    Panicked(String),
    /// The system gave no threads to run it.
    NoThreads,
}

/// Runs `work`, with everything that it spreads over rayon's threads, in the marked pool.
pub(super) fn quietly<T: Send>(work: impl FnOnce() -> T + Send) -> Result<T, Failure> {
    static HOOK: Once = Once::new();
    static POOL: OnceLock<Option<ThreadPool>> = OnceLock::new();
    HOOK.call_once(|| {
        let before = panic::take_hook();
        panic::set_hook(Box::new(move |info| {
            if !MARKED.try_with(Cell::get).unwrap_or(false) {
                before(info);
            }
        }));
    });
    let pool = POOL.get_or_init(|| {
        ThreadPoolBuilder::new()
            .thread_name(|index| format!("decode {index}"))
            .stack_size(STACK)
            .start_handler(|_| MARKED.with(|marked| marked.set(true)))
            .build()
            .ok()
    });
    let Some(pool) = pool else {
        return Err(Failure::NoThreads);
    };
    pool.install(|| panic::catch_unwind(AssertUnwindSafe(work)))
        .map_err(|payload| Failure::Panicked(text(payload.as_ref())))
}

/// The message of a panic: the two types that `panic!` makes.
fn text(payload: &(dyn Any + Send)) -> String {
    let text = payload.downcast_ref::<String>().map(String::as_str);
    text.or_else(|| payload.downcast_ref::<&str>().copied())
        .unwrap_or("no message")
        .to_owned()
}

#[cfg(test)]
mod tests {
    use rayon::prelude::*;

    use super::*;

    #[test]
    fn a_panic_on_the_way_comes_back_as_a_value() {
        let failure = quietly(|| -> u8 { panic!("row {}", 7) });
        assert_eq!(failure, Err(Failure::Panicked("row 7".to_owned())));
    }

    #[test]
    fn threads_that_help_are_marked_too() {
        let marked = quietly(|| (0..64).into_par_iter().all(|_| MARKED.with(Cell::get)));
        assert_eq!(marked, Ok(true));
        assert!(!MARKED.with(Cell::get), "the caller's own panics stay loud");
    }
}
