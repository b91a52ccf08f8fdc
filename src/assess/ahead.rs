//! Reading ahead: where a stack lies on a slow disk or a share, a few threads fetch the next sections while the workers
//! measure. What they fetch waits in the system's memory, so that a worker finds it there; nothing is kept here.

use crate::intake::stack::Stack;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

/// Threads that fetch: as many requests are under way at once.
const READERS: usize = 6;
/// Sections that are fetched before they are asked for.
const WINDOW: usize = 12;
/// A stack that gives this many bytes a second lies in memory or on a disk that needs no help …
const FAST_BYTES_A_SECOND: f64 = 1e9;
/// … and so many sections show it.
const TRIED: usize = 2;
const PAUSE: Duration = Duration::from_millis(2);
const PIECE: usize = 1 << 18;

/// What the workers have asked for, and what is to be fetched.
pub(super) struct Ahead {
    /// Sections in the order in which they will be asked for.
    order: Vec<usize>,
    next: AtomicUsize,
    taken: AtomicUsize,
}

/// Ends the reading ahead when it is dropped.
pub(super) struct Asking<'a>(&'a Ahead);

impl Drop for Asking<'_> {
    fn drop(&mut self) {
        self.0.taken.store(self.0.order.len(), Ordering::Relaxed);
    }
}

impl Ahead {
    /// For sections that will be asked for in this order.
    pub(super) fn new(order: Vec<usize>) -> Self {
        Self { order, next: AtomicUsize::new(0), taken: AtomicUsize::new(0) }
    }

    /// While it lives sections are asked for: a worker that panics must not leave readers behind that wait for it.
    pub(super) fn asking(&self) -> Asking<'_> {
        Asking(self)
    }

    /// Whether nothing more will be asked for.
    pub(super) fn is_over(&self) -> bool {
        self.taken.load(Ordering::Relaxed) >= self.order.len()
    }

    /// A worker has its section.
    pub(super) fn taken(&self) {
        self.taken.fetch_add(1, Ordering::Relaxed);
    }

    /// Fetches until all sections are taken, or `go_on` says no, or the stack turns out to be fast.
    pub(super) fn run(&self, stack: &dyn Stack, go_on: &(dyn Fn() -> bool + Sync)) {
        let mut buffer = vec![0; PIECE];
        let begun = Instant::now();
        let bytes: u64 = (0..TRIED).filter_map(|_| self.fetch_next(stack, &mut buffer)).sum();
        let slow = bytes as f64 <= FAST_BYTES_A_SECOND * begun.elapsed().as_secs_f64();
        if bytes > 0 && slow {
            std::thread::scope(|scope| {
                (0..READERS).for_each(|_| drop(scope.spawn(|| self.follow(stack, go_on))));
            });
        }
    }

    fn follow(&self, stack: &dyn Stack, go_on: &(dyn Fn() -> bool + Sync)) {
        let mut buffer = vec![0; PIECE];
        while go_on() {
            if self.next.load(Ordering::Relaxed) >= self.taken.load(Ordering::Relaxed) + WINDOW {
                std::thread::sleep(PAUSE);
            } else if self.fetch_next(stack, &mut buffer).is_none() {
                return;
            }
        }
    }

    /// Bytes that were fetched; `None` where no section is left.
    fn fetch_next(&self, stack: &dyn Stack, buffer: &mut [u8]) -> Option<u64> {
        // What the workers have overtaken needs no fetching.
        let at = self.next.fetch_add(1, Ordering::Relaxed);
        let section = *self.order.get(at)?;
        Some(if at < self.taken.load(Ordering::Relaxed) { 0 } else { stack.fetch(section, buffer) })
    }
}
