//! A disk of one file of which some bytes cannot be read, or not for a while, by FUSE: the system's own read error, or wait,
//! in mid-file.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]
#![allow(dead_code, reason = "each test uses its part")]

use fuser::{
    BackgroundSession, Config, Errno, FileAttr, FileHandle, FileType, Filesystem, Generation, INodeNo, LockOwner,
    MountOption, OpenFlags, ReplyAttr, ReplyData, ReplyEntry, Request,
};
use std::ffi::OsStr;
use std::ops::Range;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::{Duration, UNIX_EPOCH};

struct BrokenDisk {
    name: &'static str,
    bytes: Arc<Vec<u8>>,
    /// Every read is answered so much later, others meanwhile; and how many there were.
    latency: Duration,
    reads: Arc<AtomicUsize>,
    broken: Range<u64>,
    /// The first read that reaches a place waits so long.
    stall: Option<(u64, Duration)>,
    stalled: AtomicBool,
}

const FILE: INodeNo = INodeNo(2);
const KEPT: Duration = Duration::from_secs(60);

impl BrokenDisk {
    fn sound(name: &'static str, bytes: Vec<u8>) -> Self {
        let (bytes, reads) = (Arc::new(bytes), Arc::default());
        let (latency, stalled) = (Duration::ZERO, AtomicBool::new(false));
        Self { name, bytes, latency, reads, broken: 0..0, stall: None, stalled }
    }

    fn facts(&self, ino: INodeNo) -> FileAttr {
        let is_file = ino == FILE;
        FileAttr {
            ino,
            size: if is_file { self.bytes.len() as u64 } else { 0 },
            blocks: 1,
            atime: UNIX_EPOCH,
            mtime: UNIX_EPOCH,
            ctime: UNIX_EPOCH,
            crtime: UNIX_EPOCH,
            kind: if is_file { FileType::RegularFile } else { FileType::Directory },
            perm: 0o555,
            nlink: 1,
            uid: 0,
            gid: 0,
            rdev: 0,
            flags: 0,
            blksize: 4096,
        }
    }
}

impl Filesystem for BrokenDisk {
    fn lookup(&self, _: &Request, _: INodeNo, name: &OsStr, reply: ReplyEntry) {
        if name == self.name {
            reply.entry(&KEPT, &self.facts(FILE), Generation(0))
        } else {
            reply.error(Errno::ENOENT)
        }
    }

    fn getattr(&self, _: &Request, ino: INodeNo, _: Option<FileHandle>, reply: ReplyAttr) {
        reply.attr(&KEPT, &self.facts(ino));
    }

    fn read(
        &self,
        _: &Request,
        _: INodeNo,
        _: FileHandle,
        offset: u64,
        size: u32,
        _: OpenFlags,
        _: Option<LockOwner>,
        reply: ReplyData,
    ) {
        let end = (offset + u64::from(size)).min(self.bytes.len() as u64);
        if offset < self.broken.end && self.broken.start < end {
            return reply.error(Errno::EIO);
        }
        if let Some((place, long)) = self.stall
            && end > place
            && !self.stalled.swap(true, Ordering::Relaxed)
        {
            // Nothing else is answered meanwhile: the whole disk stalls.
            std::thread::sleep(long);
        }
        self.reads.fetch_add(1, Ordering::Relaxed);
        if self.latency.is_zero() {
            return reply.data(&self.bytes[offset.min(end) as usize..end as usize]);
        }
        let (bytes, latency) = (Arc::clone(&self.bytes), self.latency);
        std::thread::spawn(move || {
            std::thread::sleep(latency);
            reply.data(&bytes[offset.min(end) as usize..end as usize]);
        });
    }
}

/// Mounts such a disk at a folder while the session lives.
///
/// # Errors
/// The machine has no FUSE, or does not let this user mount.
pub fn mount(at: &Path, name: &'static str, bytes: Vec<u8>, broken: Range<u64>) -> std::io::Result<BackgroundSession> {
    mounted(at, BrokenDisk { broken, ..BrokenDisk::sound(name, bytes) })
}

/// Mounts a disk on which the first read beyond a place waits for `long`.
///
/// # Errors
/// As [`mount`].
pub fn mount_stalling(
    at: &Path,
    name: &'static str,
    bytes: Vec<u8>,
    place: u64,
    long: Duration,
) -> std::io::Result<BackgroundSession> {
    mounted(at, BrokenDisk { stall: Some((place, long)), ..BrokenDisk::sound(name, bytes) })
}

/// Mounts a disk that answers every read so much later; the second counts them.
///
/// # Errors
/// As [`mount`].
pub fn mount_far(
    at: &Path,
    name: &'static str,
    bytes: Vec<u8>,
    latency: Duration,
) -> std::io::Result<(BackgroundSession, Arc<AtomicUsize>)> {
    let disk = BrokenDisk { latency, ..BrokenDisk::sound(name, bytes) };
    let reads = Arc::clone(&disk.reads);
    mounted(at, disk).map(|session| (session, reads))
}

fn mounted(at: &Path, disk: BrokenDisk) -> std::io::Result<BackgroundSession> {
    let mut config = Config::default();
    config.mount_options = vec![MountOption::RO];
    fuser::spawn_mount(disk, at, &config)
}
