//! Memory shared out among series that are assessed at once: each takes what it needs before it begins.

use std::path::Path;
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// Share of the free memory that is used where nothing else is asked for: something else may begin meanwhile.
const SHARE: f64 = 0.9;
/// How often somebody who waits for memory looks whether the work was stopped.
const LOOK: Duration = Duration::from_millis(100);

/// The memory of a run.
#[derive(Debug)]
pub struct Purse {
    total: u64,
    free: Mutex<u64>,
    returned: Condvar,
}

/// Memory that was taken; it goes back when this ends.
#[derive(Debug)]
pub struct Held<'a> {
    purse: &'a Purse,
    bytes: u64,
}

impl Purse {
    /// So many bytes; `None`: a share of what the machine, and every control group above this process, has free now.
    pub fn new(total: Option<u64>) -> Self {
        let free = || available(Path::new("/")).map(|free| (free as f64 * SHARE) as u64);
        // A system that tells nothing sets no limit.
        let total = total.or_else(free).unwrap_or(u64::MAX);
        Self { total, free: Mutex::new(total), returned: Condvar::new() }
    }

    /// All that there is.
    pub fn total(&self) -> u64 {
        self.total
    }

    /// Takes `bytes`, at most all there is, and waits until others gave them back; `None` once `go_on` says no.
    pub fn take(&self, bytes: u64, go_on: &(dyn Fn() -> bool + Sync)) -> Option<Held<'_>> {
        let bytes = bytes.min(self.total);
        let mut free = self.lock();
        while *free < bytes {
            if !go_on() {
                return None;
            }
            free = match self.returned.wait_timeout(free, LOOK) {
                Ok((free, _)) => free,
                Err(poisoned) => poisoned.into_inner().0,
            };
        }
        *free -= bytes;
        Some(Held { purse: self, bytes })
    }

    /// A number in a lock is right even where a thread that held it ended early.
    fn lock(&self) -> MutexGuard<'_, u64> {
        self.free.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Drop for Held<'_> {
    fn drop(&mut self) {
        *self.purse.lock() += self.bytes;
        self.purse.returned.notify_all();
    }
}

/// Bytes that can be had without others losing theirs, by the files of a Linux system below `root`.
fn available(root: &Path) -> Option<u64> {
    let text = |path: &str| std::fs::read_to_string(root.join(path)).ok();
    let machine = text("proc/meminfo").and_then(|text| {
        let line = text.lines().find(|line| line.starts_with("MemAvailable:"))?.to_owned();
        line.split_whitespace().nth(1)?.parse::<u64>().ok().map(|kib| kib * 1024)
    });
    let groups = text("proc/self/cgroup").unwrap_or_default();
    let limits = groups.lines().filter_map(|line| {
        let mut parts = line.splitn(3, ':');
        let (_, kinds, path) = (parts.next()?, parts.next()?, parts.next()?.trim_start_matches('/'));
        let (mount, limit, used) = match kinds {
            "" => ("sys/fs/cgroup", "memory.max", "memory.current"),
            kinds if kinds.split(',').any(|kind| kind == "memory") => {
                ("sys/fs/cgroup/memory", "memory.limit_in_bytes", "memory.usage_in_bytes")
            }
            _ => return None,
        };
        // Each group up to the root may set a limit.
        let free = Path::new(path).ancestors().filter_map(|group| {
            let folder = root.join(mount).join(group);
            let read = |name: &str| std::fs::read_to_string(folder.join(name)).ok();
            let number = |name: &str| read(name)?.trim().parse::<u64>().ok();
            // Pages of files that nobody uses are given back at once.
            let idle = read("memory.stat").and_then(|stat| {
                stat.lines().find_map(|line| line.strip_prefix("inactive_file "))?.trim().parse::<u64>().ok()
            });
            Some(number(limit)?.saturating_sub(number(used)?.saturating_sub(idle.unwrap_or(0))))
        });
        free.min()
    });
    limits.chain(machine).min()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    #[test]
    fn the_tightest_limit_counts() {
        let root = tempfile::tempdir().unwrap();
        let put = |path: &str, text: &str| {
            let path = root.path().join(path);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, text).unwrap();
        };
        assert_eq!(available(root.path()), None);
        put("proc/meminfo", "MemTotal:  9000 kB\nMemAvailable:  8000 kB\n");
        assert_eq!(available(root.path()), Some(8_192_000));
        put("proc/self/cgroup", "0::/lab/job\n");
        put("sys/fs/cgroup/lab/job/memory.max", "max\n");
        put("sys/fs/cgroup/lab/memory.max", "5000000\n");
        put("sys/fs/cgroup/lab/memory.current", "3000000\n");
        put("sys/fs/cgroup/lab/memory.stat", "anon 7\ninactive_file 1000000\n");
        assert_eq!(available(root.path()), Some(3_000_000));
        put("proc/self/cgroup", "4:cpu,memory:/job\n0::/\n");
        put("sys/fs/cgroup/memory/job/memory.limit_in_bytes", "900\n");
        put("sys/fs/cgroup/memory/job/memory.usage_in_bytes", "1000\n");
        assert_eq!(available(root.path()), Some(0));
    }

    #[test]
    fn no_more_is_given_out_than_there_is() {
        let purse = Purse::new(Some(100));
        let first = purse.take(70, &|| true).unwrap();
        assert!(purse.take(40, &|| false).is_none());
        let second = purse.take(30, &|| false).unwrap();
        std::thread::scope(|scope| {
            let waits = scope.spawn(|| purse.take(1000, &|| true).map(|held| held.bytes));
            std::thread::sleep(Duration::from_millis(50));
            assert!(!waits.is_finished());
            drop((first, second));
            assert_eq!(waits.join().unwrap(), Some(100));
        });
        assert_eq!(*purse.lock(), 100);
    }
}
