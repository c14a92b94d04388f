//! A memory budget that frames draw on before they are opened.
//!
//! Frames are worked on side by side only while the sum of what they say they need fits. One
//! frame alone always runs, however large: refusing it would leave work undone that may well fit.

use std::sync::{Condvar, Mutex, PoisonError};

/// Bytes that may be in use at a time.
#[derive(Debug)]
pub struct Budget {
    total: u64,
    taken: Mutex<u64>,
    returned: Condvar,
}

/// A part of the budget, returned when dropped.
#[derive(Debug)]
pub struct Share<'a> {
    budget: &'a Budget,
    bytes: u64,
}

impl Budget {
    /// A budget of `total` bytes.
    pub fn new(total: u64) -> Self {
        Self {
            total,
            taken: Mutex::new(0),
            returned: Condvar::new(),
        }
    }

    /// How many frames that need `bytes` fit side by side: one at least.
    pub fn holds(&self, bytes: u64) -> usize {
        usize::try_from(self.total / bytes.max(1))
            .unwrap_or(usize::MAX)
            .max(1)
    }

    /// Waits until `bytes` are free, or until nothing else is running.
    pub fn take(&self, bytes: u64) -> Share<'_> {
        let mut taken = self.taken.lock().unwrap_or_else(PoisonError::into_inner);
        while *taken > 0 && *taken + bytes > self.total {
            taken = self
                .returned
                .wait(taken)
                .unwrap_or_else(PoisonError::into_inner);
        }
        *taken += bytes;
        Share {
            budget: self,
            bytes,
        }
    }
}

impl Drop for Share<'_> {
    fn drop(&mut self) {
        let mut taken = self
            .budget
            .taken
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        *taken -= self.bytes;
        self.budget.returned.notify_all();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicU64, Ordering};

    #[test]
    fn shares_never_add_up_to_more_than_the_budget() {
        let budget = Budget::new(100);
        let (now, most) = (AtomicU64::new(0), AtomicU64::new(0));
        std::thread::scope(|scope| {
            for bytes in [60, 50, 40, 30, 20, 60, 100] {
                let (budget, now, most) = (&budget, &now, &most);
                scope.spawn(move || {
                    let share = budget.take(bytes);
                    let sum = now.fetch_add(bytes, Ordering::SeqCst) + bytes;
                    most.fetch_max(sum, Ordering::SeqCst);
                    std::thread::yield_now();
                    now.fetch_sub(bytes, Ordering::SeqCst);
                    drop(share);
                });
            }
        });
        assert!(most.load(Ordering::SeqCst) <= 100);
        assert_eq!(*budget.taken.lock().unwrap(), 0);
    }

    #[test]
    fn a_frame_larger_than_the_budget_runs_alone() {
        let budget = Budget::new(10);
        drop(budget.take(1000));
        assert_eq!(*budget.taken.lock().unwrap(), 0);
    }
}
