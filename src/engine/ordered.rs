//! Work on many items at once, results in order, only so many at a time.
//!
//! `workers` threads take the next item each; finished results wait until all before them were
//! taken. A worker does not begin an item that lies `ahead` or more before the oldest result not
//! yet taken, so at most `ahead` results exist. With one worker everything runs on the caller's
//! thread, one item after another.

use std::collections::BTreeMap;
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};

/// What the workers share.
struct State<T> {
    next: usize,
    taken: usize,
    ready: BTreeMap<usize, T>,
    stopped: bool,
}

struct Shared<T> {
    state: Mutex<State<T>>,
    changed: Condvar,
}

impl<T> Shared<T> {
    fn lock(&self) -> MutexGuard<'_, State<T>> {
        // A panic of a worker is passed on when its scope ends; the numbers are still sound.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn wait<'a>(&self, guard: MutexGuard<'a, State<T>>) -> MutexGuard<'a, State<T>> {
        self.changed.wait(guard).unwrap_or_else(PoisonError::into_inner)
    }
}

/// Calls `take(i, make(i))` for each `i` in `0..count`, in order; `make` runs on `workers` threads.
/// Stops early when `take` fails.
///
/// # Errors
/// The first error of `take`.
pub fn ordered<T: Send, E>(
    count: usize,
    (workers, ahead): (usize, usize),
    make: impl Fn(usize) -> T + Sync,
    mut take: impl FnMut(usize, T) -> Result<(), E>,
) -> Result<(), E> {
    if workers <= 1 {
        return (0..count).try_for_each(|i| take(i, make(i)));
    }
    let shared = Shared {
        state: Mutex::new(State { next: 0, taken: 0, ready: BTreeMap::new(), stopped: false }),
        changed: Condvar::new(),
    };
    std::thread::scope(|scope| {
        for _ in 0..workers {
            scope.spawn(|| work(&shared, count, ahead.max(1), &make));
        }
        // Also when a panic unwinds through here, workers must not wait for ever.
        let _stop = StopOnDrop(&shared);
        for i in 0..count {
            let mut state = shared.lock();
            let item = loop {
                if let Some(item) = state.ready.remove(&i) {
                    break Some(item);
                }
                if state.stopped {
                    break None;
                }
                state = shared.wait(state);
            };
            state.taken = i + 1;
            drop(state);
            shared.changed.notify_all();
            // A worker died: its panic comes out at the end of the scope.
            let Some(item) = item else { return Ok(()) };
            take(i, item)?;
        }
        Ok(())
    })
}

struct StopOnDrop<'a, T>(&'a Shared<T>);

impl<T> Drop for StopOnDrop<'_, T> {
    fn drop(&mut self) {
        self.0.lock().stopped = true;
        self.0.changed.notify_all();
    }
}

fn work<T>(shared: &Shared<T>, count: usize, ahead: usize, make: &(impl Fn(usize) -> T + Sync)) {
    // Tells the caller if `make` panics.
    let alarm = StopOnDrop(shared);
    loop {
        let mut state = shared.lock();
        while !state.stopped && state.next < count && state.next >= state.taken + ahead {
            state = shared.wait(state);
        }
        if state.stopped || state.next >= count {
            break;
        }
        let i = state.next;
        state.next += 1;
        drop(state);
        let item = make(i);
        shared.lock().ready.insert(i, item);
        shared.changed.notify_all();
    }
    std::mem::forget(alarm);
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicUsize, Ordering};

    #[test]
    fn results_come_in_order_and_bounded() {
        for workers in [1, 2, 5] {
            let alive = AtomicUsize::new(0);
            let most = AtomicUsize::new(0);
            let mut seen = Vec::new();
            let done: Result<(), ()> = ordered(
                200,
                (workers, 4),
                |i| {
                    let n = alive.fetch_add(1, Ordering::SeqCst) + 1;
                    most.fetch_max(n, Ordering::SeqCst);
                    i * i
                },
                |i, v| {
                    alive.fetch_sub(1, Ordering::SeqCst);
                    assert_eq!(v, i * i);
                    seen.push(i);
                    Ok(())
                },
            );
            done.unwrap();
            assert_eq!(seen, (0..200).collect::<Vec<_>>());
            // The one being taken counts until it is taken.
            assert!(most.load(Ordering::SeqCst) <= 5, "{most:?}");
        }
    }

    #[test]
    fn an_error_stops_the_workers() {
        let made = AtomicUsize::new(0);
        let done = ordered(
            10_000,
            (3, 8),
            |i| made.fetch_add(i.min(1), Ordering::SeqCst),
            |i, _| if i == 5 { Err("enough") } else { Ok(()) },
        );
        assert_eq!(done, Err("enough"));
        assert!(made.load(Ordering::SeqCst) < 100);
    }

    #[test]
    fn a_panicking_worker_does_not_hang_the_run() {
        let outcome = std::panic::catch_unwind(|| {
            let done: Result<(), ()> =
                ordered(50, (2, 4), |i| assert!(i != 7, "frame 7 is cursed"), |_, ()| Ok(()));
            done
        });
        assert!(outcome.is_err());
    }
}
