//! Links from a page to files beside or above it.

use std::fmt::Write;
use std::path::{Component, Path, PathBuf};

/// Links from a page in `folder` to files, where they are there: relative, so that a folder can be moved as a whole.
pub fn to<'a>(folder: &Path, files: impl Iterator<Item = Option<&'a str>>) -> Vec<Option<String>> {
    let here = folder.canonicalize().ok();
    files
        .map(|file| {
            let file = PathBuf::from(file?);
            file.exists().then(|| relative(here.as_deref()?, &file)).flatten()
        })
        .collect()
}

/// The way from a folder to a file, both absolute, as a URL reference.
fn relative(from: &Path, to: &Path) -> Option<String> {
    let shared = from.components().zip(to.components()).take_while(|(a, b)| a == b).count();
    let up = from.components().skip(shared).map(|_| "..".to_owned());
    let down = to.components().skip(shared).map(|component| match component {
        Component::Normal(name) => name.to_str().map(escaped),
        _ => None,
    });
    let parts: Option<Vec<String>> = up.map(Some).chain(down).collect();
    parts.map(|parts| parts.join("/"))
}

/// A part of a path in a URL: everything but the unreserved characters of RFC 3986 as %XX.
pub fn escaped(name: &str) -> String {
    let mut out = String::new();
    for byte in name.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            out.push(char::from(byte));
        } else {
            let _ = write!(out, "%{byte:02X}");
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_way_leads_up_and_down_and_is_escaped() {
        let way = |from: &str, to: &str| relative(Path::new(from), Path::new(to));
        assert_eq!(way("/a/b", "/a/b/c d/report.html"), Some("c%20d/report.html".into()));
        assert_eq!(way("/a/b/x", "/a/c/javascript:1/é.html"), Some("../../c/javascript%3A1/%C3%A9.html".into()));
    }
}
