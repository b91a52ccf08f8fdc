//! What those get who set tiltworth up for others: a version that names its commit, completions, manual pages of every
//! command, and texts to start from.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

use std::path::Path;
use std::process::{Command, Stdio};

fn printed(args: &[&str]) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_tiltworth")).args(args).output().unwrap();
    assert!(output.status.success(), "{args:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

fn present(program: &str) -> bool {
    let mut command = Command::new(program);
    command.arg("--version").stdout(Stdio::null()).stderr(Stdio::null()).status().is_ok()
}

/// The shell's own opinion of a script.
fn parses(script: &str) -> bool {
    use std::io::Write;
    let mut shell = Command::new("bash").arg("-n").stdin(Stdio::piped()).spawn().unwrap();
    shell.stdin.take().unwrap().write_all(script.as_bytes()).unwrap();
    shell.wait().unwrap().success()
}

/// What the build script says is built, run in a folder.
fn built(script: &Path, folder: &Path, profile: &str) -> String {
    let output = Command::new(script).current_dir(folder).env("PROFILE", profile).output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let line = text.lines().find_map(|line| line.strip_prefix("cargo::rustc-env=TILTWORTH_COMMIT=")).unwrap();
    line.to_owned()
}

#[test]
fn the_version_names_the_commit() {
    assert_eq!(printed(&["--version"]), format!("tiltworth {} (development build)\n", env!("CARGO_PKG_VERSION")));
    // A release build takes minutes: its script is asked instead, in each place where it may run.
    let home = tempfile::tempdir().unwrap();
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let script = home.path().join("build");
    let mut compiler = Command::new("rustc");
    compiler.args(["--edition", "2024", "-o"]).arg(&script).arg(root.join("src/build.rs"));
    assert!(compiler.status().unwrap().success());
    let git = Command::new("git").args(["rev-parse", "--short=12", "HEAD"]).current_dir(root).output();
    if let Some(output) = git.ok().filter(|output| output.status.success()) {
        let commit = String::from_utf8(output.stdout).unwrap();
        assert_eq!(built(&script, root, "release"), format!(" ({})", commit.trim()));
        // A part of somebody's git is not its top.
        assert_eq!(built(&script, &root.join("src"), "release"), "");
    }
    assert_eq!(built(&script, home.path(), "release"), "");
    let note =
        "{\n  \"git\": {\n    \"sha1\": \"0123456789abcdef0123456789abcdef01234567\"\n  },\n  \"path_in_vcs\": \"\"\n}";
    std::fs::write(home.path().join(".cargo_vcs_info.json"), note).unwrap();
    assert_eq!(built(&script, home.path(), "release"), " (0123456789ab)");
    assert_eq!(built(&script, home.path(), "debug"), " (development build)");
}

#[test]
fn every_shell_gets_its_completions() {
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let script = printed(&["completions", shell]);
        for word in ["watch", "--recursive", "--shard", "completions"] {
            assert!(script.contains(word.trim_start_matches("--")), "{shell}: {word}");
        }
    }
    assert!(parses(&printed(&["completions", "bash"])));
}

#[test]
fn every_command_has_a_manual_page() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("man1");
    let said = printed(&["man", "--out", out.to_str().unwrap()]);
    let help = printed(&["--help"]);
    let commands = help.split("Commands:\n").nth(1).unwrap().split("\n\n").next().unwrap().lines();
    let commands: Vec<&str> = commands
        .filter_map(|line| line.strip_prefix("  ")?.split(' ').next())
        .filter(|name| !name.is_empty())
        .collect();
    assert!(commands.len() > 15, "{commands:?}");
    for command in commands.into_iter().filter(|name| *name != "help") {
        let page = std::fs::read_to_string(out.join(format!("tiltworth-{command}.1"))).expect(command);
        assert!(page.contains(".TH"), "{command}");
    }
    for page in ["tiltworth.1", "tiltworth-batch-run.1", "tiltworth-ledger-add.1"] {
        assert!(out.join(page).exists(), "{page}");
    }
    assert!(said.contains(" pages: "));
    assert!(printed(&["man"]).contains("tilt series"));
    if present("man") {
        let output = Command::new("man")
            .args(["--warnings", "-l"])
            .arg(out.join("tiltworth-watch.1"))
            .env("MANPAGER", "cat")
            .output();
        let output = output.unwrap();
        // What a formatter has to say against a page stands on standard error.
        let against = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success() && against.is_empty(), "{against}");
    }
}

#[test]
fn the_texts_to_start_from_name_commands_that_there_are() {
    let script = printed(&["deploy", "slurm"]);
    assert!(parses(&script) && script.starts_with("#!/bin/bash\n") && script.contains("batch run \"$manifest\""));
    for (text, needle) in [("systemd", "ExecStart=/usr/local/bin/tiltworth "), ("container", "CMD [\"watch\", ")] {
        let text = printed(&["deploy", text]);
        let line = text.lines().find(|line| line.starts_with(needle)).unwrap();
        let words = line.replace(['"', ',', '[', ']'], " ");
        // Every option that a text names is one of the command.
        let help = printed(&["watch", "--help"]);
        for option in words.split_whitespace().filter(|word| word.starts_with("--")) {
            assert!(help.contains(option), "{option}");
        }
    }
    assert!(Path::new(env!("CARGO_MANIFEST_DIR")).join("src/deploy/slurm.sh").exists());
}
