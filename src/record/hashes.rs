//! SHA-256 of the inputs.

use crate::intake::series::InputFiles;
use crate::record::Input;
use sha2::{Digest, Sha256};
use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

/// Hashes each input; a folder's by the sorted `sha256  name` lines of its files. What cannot be read to its end has no
/// hash, and a note says why. `go_on` is asked once in a while; `None` once it says no.
pub fn inputs(inputs: &[InputFiles], go_on: &(dyn Fn() -> bool + Sync)) -> Option<(Vec<Input>, Vec<String>)> {
    let mut notes = Vec::new();
    let hashed: Option<Vec<Input>> = inputs.iter().map(|input| one(input, &mut notes, go_on)).collect();
    Some((hashed?, notes))
}

fn one(input: &InputFiles, notes: &mut Vec<String>, go_on: &(dyn Fn() -> bool + Sync)) -> Option<Input> {
    let mut bytes = 0;
    let mut lines = Vec::new();
    for path in &input.paths {
        match file(path, go_on) {
            Ok((digest, length)) => {
                bytes += length;
                let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
                lines.push((digest, name));
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => return None,
            Err(error) => notes.push(format!("{}: it cannot be read to its end ({error})", path.display())),
        }
    }
    let sha256 = match lines.as_slice() {
        [(digest, _)] if input.paths.len() == 1 => Some(digest.clone()),
        _ if lines.len() == input.paths.len() => {
            let mut lines: Vec<String> = lines.iter().map(|(digest, name)| format!("{digest}  {name}\n")).collect();
            lines.sort();
            Some(hex(&Sha256::digest(lines.concat().as_bytes())))
        }
        _ => None,
    };
    Some(Input { role: input.role.into(), name: input.name.clone(), bytes, sha256 })
}

fn file(path: &Path, go_on: &(dyn Fn() -> bool + Sync)) -> io::Result<(String, u64)> {
    let mut file = File::open(path)?;
    let mut hasher = Sha256::new();
    let mut buffer = vec![0; 1 << 20];
    let mut length = 0;
    loop {
        let read = file.read(&mut buffer)?;
        if read == 0 {
            return Ok((hex(&hasher.finalize()), length));
        }
        if !go_on() {
            return Err(io::ErrorKind::Interrupted.into());
        }
        hasher.update(&buffer[..read]);
        length += read as u64;
    }
}

/// Bytes as lower-case hex.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_examples_of_fips_180_4() {
        // NIST FIPS 180-4 example: SHA-256("abc").
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("abc");
        std::fs::write(&path, "abc").unwrap();
        let expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(file(&path, &|| true).unwrap(), (expected.into(), 3));
        assert!(file(&path, &|| false).is_err());
    }

    #[test]
    fn a_folder_with_a_file_that_cannot_be_read_has_no_hash() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("a.tif"), "abc").unwrap();
        let paths = vec![folder.path().join("a.tif"), folder.path().join("b.tif")];
        let folder = InputFiles { role: "stack", name: "stack".into(), paths };
        let (hashed, notes) = inputs(std::slice::from_ref(&folder), &|| true).unwrap();
        assert_eq!((hashed[0].sha256.as_deref(), hashed[0].bytes, notes.len()), (None, 3, 1));
        assert_eq!(inputs(&[folder], &|| false), None);
    }
}
