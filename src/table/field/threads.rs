//! Pieces of one answer, reckoned on two threads.
//!
//! The threads live no longer than the call and share nothing but the question: which of them takes a piece, and when, changes
//! nothing in it, and the answers come back in order. So the answer is the same to the last bit on any number of threads, and
//! whoever calls cannot tell. Where no second thread is to be had, the first does everything.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread::{self, Builder, ScopedJoinHandle};

/// Threads at most: a table has few zones, and the other cores belong to the watch.
const MOST: usize = 2;

/// `piece(0)`, `piece(1)` to `piece(count − 1)`, in this order.
pub(super) fn each<T: Send>(count: usize, piece: impl Fn(usize) -> T + Sync) -> Vec<T> {
    on(thread::available_parallelism().map_or(1, |cores| cores.get().min(MOST)), count, piece)
}

/// The same on `threads` threads, this one counted.
fn on<T: Send>(threads: usize, count: usize, piece: impl Fn(usize) -> T + Sync) -> Vec<T> {
    let next = AtomicUsize::new(0);
    let take = || {
        let mut done = Vec::new();
        loop {
            let at = next.fetch_add(1, Ordering::Relaxed);
            if at >= count {
                return done;
            }
            done.push((at, piece(at)));
        }
    };
    let mut done = thread::scope(|scope| {
        let beside = (1..threads.min(count)).map_while(|_| Builder::new().spawn_scoped(scope, take).ok());
        let beside: Vec<ScopedJoinHandle<Vec<(usize, T)>>> = beside.collect();
        let mut done = take();
        for thread in beside {
            // What a thread panicked with goes on here, as if there were only one.
            done.extend(thread.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)));
        }
        done
    });
    done.sort_by_key(|(at, _)| *at);
    done.into_iter().map(|(_, answer)| answer).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_piece_is_done_once_and_comes_back_in_its_place_on_any_number_of_threads() {
        for threads in [1, 2, 3, 8] {
            for count in [0, 1, 2, 7, 100] {
                let started = AtomicUsize::new(0);
                let found = on(threads, count, |at| (started.fetch_add(1, Ordering::Relaxed), at).1 * 3);
                assert_eq!(found, (0..count).map(|at| 3 * at).collect::<Vec<usize>>());
                assert_eq!(started.into_inner(), count);
            }
        }
    }
}
