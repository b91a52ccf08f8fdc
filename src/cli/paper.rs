//! The printed report: Chromium, where it is present, prints the page as PDF.

use clap::ValueEnum;
use std::ffi::OsString;
use std::fs;
use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Names under which the browser is installed.
const BROWSERS: [&str; 4] = ["chromium", "chromium-browser", "google-chrome", "google-chrome-stable"];
/// Longest time that a page may take to print.
const PATIENCE: Duration = Duration::from_secs(180);

/// Sheet of paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Sheet {
    /// 210 × 297 mm
    A4,
    /// 8.5 × 11 inches
    Letter,
}

/// A report that was not printed; the page itself stands.
#[derive(Debug, thiserror::Error)]
pub enum PaperError {
    /// No browser.
    #[error("no PDF: Chromium is not installed here (none of {} was found); print {} from any browser", BROWSERS.join(", "), .0.display())]
    NoBrowser(PathBuf),
    /// The browser failed.
    #[error("no PDF: Chromium could not print {} ({fault}); print it from any browser", page.display())]
    Failed {
        /// The page.
        page: PathBuf,
        /// What went wrong.
        fault: String,
    },
}

/// Prints a page beside itself, as `.pdf`; gives the file.
///
/// # Errors
/// There is no browser, or it fails: nothing is written then.
pub fn print(page: &Path, sheet: Sheet) -> Result<PathBuf, PaperError> {
    let failed = |fault: String| PaperError::Failed { page: page.to_path_buf(), fault };
    let out = page.with_extension("pdf");
    let home = tempfile::tempdir().map_err(|error| failed(error.to_string()))?;
    let printed = home.path().join("printed.pdf");
    let sized = home.path().join("page.html");
    let text = fs::read_to_string(page).map_err(|error| failed(error.to_string()))?;
    fs::write(&sized, with_sheet(&text, sheet)).map_err(|error| failed(error.to_string()))?;
    let Some(child) = BROWSERS.iter().find_map(|name| start(name, home.path(), &printed, &sized).ok()) else {
        return Err(PaperError::NoBrowser(page.to_path_buf()));
    };
    wait(child).map_err(&failed)?;
    let pdf = fs::read(&printed).map_err(|error| failed(error.to_string()))?;
    if !pdf.starts_with(b"%PDF-") {
        return Err(failed("it wrote no PDF".into()));
    }
    // Under its last name only once it is whole.
    let folder = out.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let whole = tempfile::Builder::new().prefix(".tiltworth-").suffix(".pdf").tempfile_in(folder);
    let whole = whole.map_err(|error| failed(error.to_string()))?;
    fs::write(whole.path(), pdf).map_err(|error| failed(error.to_string()))?;
    readable_by_others(whole.path()).map_err(|error| failed(error.to_string()))?;
    whole.persist(&out).map_err(|error| failed(error.error.to_string()))?;
    Ok(out)
}

/// The browser takes the size of the paper from the page alone.
fn with_sheet(page: &str, sheet: Sheet) -> String {
    let size = match sheet {
        Sheet::A4 => "A4",
        Sheet::Letter => "letter",
    };
    page.replacen("</style>", &format!("@page{{size:{size}}}</style>"), 1)
}

fn start(browser: &str, home: &Path, out: &Path, page: &Path) -> io::Result<Child> {
    let mut to = OsString::from("--print-to-pdf=");
    to.push(out);
    let mut profile = OsString::from("--user-data-dir=");
    profile.push(home.join("profile"));
    let mut command = Command::new(browser);
    command.args(["--headless", "--disable-gpu", "--no-first-run", "--disable-background-networking"]);
    command.args(["--no-pdf-header-footer", "--disable-sync", "--disable-component-update"]).arg(to).arg(profile);
    // Chromium's sandbox does not start for root.
    if fs::metadata("/proc/self").is_ok_and(|me| me.uid() == 0) {
        command.arg("--no-sandbox");
    }
    // Where it is ended, what it leaves goes with the folder.
    command.env("TMPDIR", home);
    command.arg(page).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn()
}

fn wait(mut child: Child) -> Result<(), String> {
    let began = Instant::now();
    loop {
        match child.try_wait() {
            Ok(Some(status)) if status.success() => return Ok(()),
            Ok(Some(status)) => return Err(format!("it ended with {status}")),
            Ok(None) if began.elapsed() < PATIENCE => std::thread::sleep(Duration::from_millis(50)),
            Ok(None) => {
                let _ = child.kill();
                let _ = child.wait();
                return Err(format!("it did not end within {} s", PATIENCE.as_secs()));
            }
            Err(error) => return Err(error.to_string()),
        }
    }
}

fn readable_by_others(file: &Path) -> io::Result<()> {
    use std::os::unix::fs::PermissionsExt;
    fs::set_permissions(file, fs::Permissions::from_mode(0o644))
}
