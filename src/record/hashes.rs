//! SHA-256 of the inputs.

use crate::intake::series::InputFiles;
use crate::record::Input;
use sha2::{Digest, Sha256};
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

/// An input that could not be hashed.
#[derive(Debug, thiserror::Error)]
#[error("{}: it cannot be read to its end ({error}); check the disk or the network share it lies on", file.display())]
pub struct HashError {
    file: PathBuf,
    error: std::io::Error,
}

/// Hashes each input; a folder's by the sorted `sha256  name` lines of its files.
///
/// # Errors
/// Names the file that cannot be read.
pub fn inputs(inputs: &[InputFiles]) -> Result<Vec<Input>, HashError> {
    inputs.iter().map(one).collect()
}

fn one(input: &InputFiles) -> Result<Input, HashError> {
    let mut bytes = 0;
    let mut lines = Vec::new();
    for path in &input.paths {
        let (digest, length) = file(path)?;
        bytes += length;
        let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        lines.push((digest, name));
    }
    let sha256 = match lines.as_slice() {
        [(digest, _)] if input.paths.len() == 1 => digest.clone(),
        _ => {
            let mut lines: Vec<String> = lines.iter().map(|(digest, name)| format!("{digest}  {name}\n")).collect();
            lines.sort();
            hex(&Sha256::digest(lines.concat().as_bytes()))
        }
    };
    Ok(Input { role: input.role.into(), name: input.name.clone(), bytes, sha256 })
}

fn file(path: &Path) -> Result<(String, u64), HashError> {
    let failed = |error| HashError { file: path.to_path_buf(), error };
    let mut file = File::open(path).map_err(failed)?;
    let mut hasher = Sha256::new();
    let mut buffer = vec![0; 1 << 20];
    let mut length = 0;
    loop {
        let read = file.read(&mut buffer).map_err(failed)?;
        if read == 0 {
            return Ok((hex(&hasher.finalize()), length));
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
        assert_eq!(file(&path).unwrap(), (expected.into(), 3));
    }
}
