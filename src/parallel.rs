//! Work side by side, with results that do not depend on how many processors there are.
//!
//! All lists go through one loop, whatever the work gives. The library's own adapters return, of several
//! errors, whichever came first in time; here it is the one that working in order would have met. And they
//! are made anew for each use: without that the compiler has a fortieth less to do.

use std::sync::OnceLock;
use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::iter::{IntoParallelIterator, ParallelIterator};

/// In how many pieces a list is cut where each piece has scratch space of its own.
const PIECES: usize = 64;

/// Calls `work` with every number below `count`.
fn all(count: usize, work: &(dyn Fn(usize) + Sync)) {
    (0..count).into_par_iter().for_each(work);
}

/// What `work` makes of each number below `count`, in order.
pub fn numbers<T: Send + Sync>(count: usize, work: impl Fn(usize) -> T + Sync) -> Vec<T> {
    let slots: Vec<OnceLock<T>> = (0..count).map(|_| OnceLock::new()).collect();
    all(count, &|k| {
        // Each number comes once, so that the slot is free.
        let _ = slots[k].set(work(k));
    });
    slots.into_iter().filter_map(OnceLock::into_inner).collect()
}

/// The same where work may fail.
///
/// # Errors
/// That of the lowest number that fails; of those above, no more are begun.
pub fn try_numbers<T: Send + Sync, E: Send + Sync>(
    count: usize,
    work: impl Fn(usize) -> Result<T, E> + Sync,
) -> Result<Vec<T>, E> {
    let lowest = AtomicUsize::new(usize::MAX);
    let results = numbers(count, |k| {
        // No number below the lowest that fails is ever passed over, so it does not matter who was first.
        if k > lowest.load(Ordering::Relaxed) {
            return None;
        }
        let result = work(k);
        if result.is_err() {
            lowest.fetch_min(k, Ordering::Relaxed);
        }
        Some(result)
    });
    // Up to the first error there are no gaps.
    results.into_iter().flatten().collect()
}

/// What `work` makes of each number below `count`, in order, with scratch space that `scratch` makes: what is
/// left in it must not change a result.
pub fn numbers_with<S, T: Send + Sync>(
    count: usize,
    scratch: impl Fn() -> S + Sync,
    work: impl Fn(&mut S, usize) -> T + Sync,
) -> Vec<T> {
    let pieces = count.min(PIECES);
    let lists = numbers(pieces, |piece| {
        let mut scratch = scratch();
        let own = piece * count / pieces..(piece + 1) * count / pieces;
        own.map(|k| work(&mut scratch, k)).collect::<Vec<T>>()
    });
    lists.into_iter().flatten().collect()
}

/// What `work` makes of each item, in order.
pub fn map<I: Sync, T: Send + Sync>(items: &[I], work: impl Fn(&I) -> T + Sync) -> Vec<T> {
    numbers(items.len(), |k| work(&items[k]))
}

/// The same where work may fail.
///
/// # Errors
/// As [`try_numbers`].
pub fn try_map<I: Sync, T: Send + Sync, E: Send + Sync>(
    items: &[I],
    work: impl Fn(&I) -> Result<T, E> + Sync,
) -> Result<Vec<T>, E> {
    try_numbers(items.len(), |k| work(&items[k]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_are_in_order() {
        assert_eq!(numbers(0, |k| k), [0usize; 0]);
        assert_eq!(numbers(1000, |k| 3 * k), (0..1000).map(|k| 3 * k).collect::<Vec<_>>());
        assert_eq!(map(&["a", "bc"], |s| s.len()), [1, 2]);
        for count in [0, 1, 63, 64, 65, 1000] {
            let got = numbers_with(count, || 0, |last, k| (std::mem::replace(last, 1), k).1);
            assert_eq!(got, (0..count).collect::<Vec<_>>());
        }
    }

    /// Whichever comes first in time: the later ones are made to be quicker.
    #[test]
    fn the_error_is_the_one_that_comes_first_in_order() {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(4).build().expect("threads");
        pool.install(|| {
            for _ in 0..20 {
                let got = try_numbers(200, |k| {
                    std::thread::sleep(std::time::Duration::from_micros(200 - k as u64));
                    if k % 50 == 37 { Err(k) } else { Ok(k) }
                });
                assert_eq!(got, Err(37));
            }
        });
        assert_eq!(try_map(&[1, 2, 3], |k| if *k > 1 { Err(*k) } else { Ok(*k) }), Err(2));
    }
}
