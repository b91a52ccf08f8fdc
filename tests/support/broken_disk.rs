//! A disk of one file of which some bytes cannot be read, by FUSE: the system's own read error in mid-file.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

use fuser::{
    BackgroundSession, Config, Errno, FileAttr, FileHandle, FileType, Filesystem, Generation, INodeNo, LockOwner,
    MountOption, OpenFlags, ReplyAttr, ReplyData, ReplyEntry, Request,
};
use std::ffi::OsStr;
use std::ops::Range;
use std::path::Path;
use std::time::{Duration, UNIX_EPOCH};

struct BrokenDisk {
    name: &'static str,
    bytes: Vec<u8>,
    broken: Range<u64>,
}

const FILE: INodeNo = INodeNo(2);
const KEPT: Duration = Duration::from_secs(60);

impl BrokenDisk {
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
        reply.data(&self.bytes[offset.min(end) as usize..end as usize]);
    }
}

/// Mounts such a disk at a folder while the session lives.
///
/// # Errors
/// The machine has no FUSE, or does not let this user mount.
pub fn mount(at: &Path, name: &'static str, bytes: Vec<u8>, broken: Range<u64>) -> std::io::Result<BackgroundSession> {
    let mut config = Config::default();
    config.mount_options = vec![MountOption::RO];
    fuser::spawn_mount(BrokenDisk { name, bytes, broken }, at, &config)
}
