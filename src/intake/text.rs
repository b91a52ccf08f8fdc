//! Text files as sites hand them in: UTF-8, with or without a byte-order mark, bounded in size.

use crate::intake::error::IntakeError;
use std::fs::File;
use std::io::Read;
use std::path::Path;

/// The largest text that is read: far above any series, far below what would trouble a machine.
const LARGEST_BYTES: u64 = 64 << 20;

/// Reads a UTF-8 text; a byte-order mark is taken off.
///
/// # Errors
/// Another encoding, a file over 64 MiB, or one that cannot be read.
pub fn read_text(path: &Path) -> Result<String, IntakeError> {
    let file = File::open(path).map_err(|error| IntakeError::unreadable(path, "", &error))?;
    let mut bytes = Vec::new();
    file.take(LARGEST_BYTES + 1).read_to_end(&mut bytes).map_err(|error| IntakeError::unreadable(path, "", &error))?;
    if bytes.len() as u64 > LARGEST_BYTES {
        let fault = "the text is larger than 64 MiB";
        return Err(IntakeError::bad(path, "", fault, "hand in the rows of this series alone"));
    }
    if bytes.starts_with(&[0xff, 0xfe]) || bytes.starts_with(&[0xfe, 0xff]) {
        return Err(IntakeError::bad(path, "", "the text is UTF-16", "save it as UTF-8"));
    }
    let text = String::from_utf8(bytes).map_err(|error| {
        let at = error.utf8_error().valid_up_to();
        let line = error.as_bytes()[..at].iter().filter(|&&byte| byte == b'\n').count() + 1;
        let fault = format!("byte 0x{:02x} is not UTF-8", error.as_bytes()[at]);
        IntakeError::bad(path, format!("line {line}"), fault, "save the text as UTF-8")
    })?;
    Ok(text.strip_prefix('\u{feff}').map(str::to_owned).unwrap_or(text))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn message(bytes: &[u8]) -> String {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("t.csv");
        std::fs::write(&path, bytes).unwrap();
        match read_text(&path) {
            Ok(text) => text,
            Err(error) => error.to_string().replace(&*folder.path().to_string_lossy(), ""),
        }
    }

    #[test]
    fn a_byte_order_mark_is_no_part_of_the_text() {
        assert_eq!(message(b"\xef\xbb\xbftilt_deg\n"), "tilt_deg\n");
    }

    #[test]
    fn other_encodings_are_named_with_their_line() {
        assert_eq!(message(b"\xff\xfet\0"), "/t.csv: the text is UTF-16; save it as UTF-8");
        assert_eq!(message(b"a\n\xb5m"), "/t.csv, line 2: byte 0xb5 is not UTF-8; save the text as UTF-8");
    }
}
