//! Which commit is built, for `--version` of a release build: from the note that `cargo package` leaves, else from a git whose
//! top is this folder; nothing where there is neither. Any other build does not ask, or each commit would compile all anew.

use std::path::Path;
use std::process::Command;

fn main() {
    let release = std::env::var("PROFILE").is_ok_and(|profile| profile == "release");
    let built = if release { packaged().or_else(of_git) } else { Some("development build".to_owned()) };
    // cargo reads what a build script prints.
    println!("cargo::rustc-env=TILTWORTH_COMMIT={}", built.map(|built| format!(" ({built})")).unwrap_or_default());
    println!("cargo::rerun-if-changed=src/build.rs");
}

/// The commit in `.cargo_vcs_info.json`, as short as git tells it.
fn packaged() -> Option<String> {
    let text = std::fs::read_to_string(".cargo_vcs_info.json").ok()?;
    let (_, after) = text.split_once("\"sha1\"")?;
    let commit = after.split('"').nth(1)?;
    (commit.len() >= 12 && commit.bytes().all(|byte| byte.is_ascii_hexdigit())).then(|| commit[..12].to_owned())
}

fn of_git() -> Option<String> {
    let top = git(&["rev-parse", "--show-toplevel"])?;
    let here = std::env::current_dir().ok()?.canonicalize().ok()?;
    // Sources laid into somebody else's git have nothing to do with its commits.
    if Path::new(&top).canonicalize().ok()? != here {
        return None;
    }
    for name in ["HEAD", "logs/HEAD"] {
        if let Some(path) = git(&["rev-parse", "--git-path", name]).filter(|path| Path::new(path).exists()) {
            println!("cargo::rerun-if-changed={path}");
        }
    }
    git(&["rev-parse", "--short=12", "HEAD"])
}

fn git(args: &[&str]) -> Option<String> {
    let output = Command::new("git").args(args).output().ok().filter(|output| output.status.success())?;
    String::from_utf8(output.stdout).ok().map(|text| text.trim().to_owned())
}
