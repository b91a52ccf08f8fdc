//! `evidence.zip`: written and read.

use crate::record::evidence::{Curves, EVIDENCE_VERSION, Evidence, Picture};
use crate::record::sane;
use std::fs::File;
use std::io::{Read, Seek, Write};
use std::path::Path;
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipArchive, ZipWriter};

/// The curves in the archive.
const CURVES: &str = "evidence.json";
/// No curve file or picture of ours comes near this.
const LARGEST_ENTRY: u64 = 256 << 20;

/// An archive that could not be written or read.
#[derive(Debug, thiserror::Error)]
pub enum ArchiveError {
    /// The archive itself.
    #[error("{0}")]
    Zip(#[from] zip::result::ZipError),
    /// Its bytes.
    #[error("{0}")]
    Io(#[from] std::io::Error),
    /// Its curves.
    #[error("evidence.json cannot be understood ({0})")]
    Json(#[from] serde_json::Error),
    /// What it holds.
    #[error("{0}")]
    Contents(String),
}

/// Writes the curves and the pictures.
///
/// # Errors
/// The target cannot be written.
pub fn write(evidence: &Evidence, to: impl Write + Seek) -> Result<(), ArchiveError> {
    let mut zip = ZipWriter::new(to);
    let plain = SimpleFileOptions::default();
    zip.start_file(CURVES, plain.compression_method(CompressionMethod::Deflated))?;
    zip.write_all(&serde_json::to_vec(&evidence.curves)?)?;
    for picture in &evidence.pictures {
        // A JPEG does not shrink any further.
        zip.start_file(&picture.name, plain.compression_method(CompressionMethod::Stored))?;
        zip.write_all(&picture.jpeg)?;
    }
    zip.finish()?;
    Ok(())
}

/// Reads an archive back.
///
/// # Errors
/// The file is no archive of ours, of a later layout, or larger than any of ours.
pub fn read(path: &Path) -> Result<Evidence, ArchiveError> {
    let mut zip = ZipArchive::new(File::open(path)?)?;
    let value: serde_json::Value = serde_json::from_slice(&entry(&mut zip, CURVES)?)?;
    if let Some(number) = sane::beyond(&value) {
        return Err(ArchiveError::Contents(format!("{CURVES} is damaged: {number}, which none of ours does")));
    }
    let curves: Curves = serde_json::from_value(value)?;
    if curves.evidence_version != EVIDENCE_VERSION {
        let found = curves.evidence_version;
        let fault = format!("its layout is version {found}, this tiltworth reads version {EVIDENCE_VERSION}");
        return Err(ArchiveError::Contents(fault));
    }
    if let Some(fault) = damage(&curves) {
        return Err(ArchiveError::Contents(format!("{CURVES} is damaged: {fault}")));
    }
    let mut pictures = Vec::new();
    for tilt in &curves.tilts {
        pictures.push(Picture { name: tilt.picture.clone(), jpeg: entry(&mut zip, &tilt.picture)? });
    }
    Ok(Evidence { curves, pictures })
}

/// What names a tilt that is not there, or a picture that no JPEG can be.
fn damage(curves: &Curves) -> Option<String> {
    let tilts = curves.tilts.len();
    let missing = |tilt: usize| tilt >= tilts;
    let alignment = curves.alignment.iter();
    let sights = alignment.clone().flat_map(|alignment| &alignment.tracks).flat_map(|track| &track.sights);
    let named = alignment.map(|alignment| alignment.start).chain(sights.map(|sight| sight.tilt));
    if let Some(tilt) = named.chain(curves.repeat.iter().map(|repeat| repeat.tilt)).find(|&tilt| missing(tilt)) {
        return Some(format!("it names tilt {tilt} of {tilts}, counted from 0"));
    }
    let large = curves.tilts.iter().find(|tilt| tilt.picture_px.iter().any(|&px| px > u32::from(u16::MAX)));
    large.map(|tilt| format!("{} would be {} × {} px", tilt.picture, tilt.picture_px[0], tilt.picture_px[1]))
}

fn entry(zip: &mut ZipArchive<File>, name: &str) -> Result<Vec<u8>, ArchiveError> {
    let entry = zip.by_name(name)?;
    let mut bytes = Vec::new();
    entry.take(LARGEST_ENTRY + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > LARGEST_ENTRY {
        return Err(ArchiveError::Contents(format!("{name} is larger than 256 MiB")));
    }
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::evidence::RepeatCurves;

    #[test]
    fn what_is_written_is_read() {
        let tilt = crate::record::evidence::TiltCurves {
            picture: "pictures/000.jpg".into(),
            picture_px: [3, 2],
            picture_scale: 1.0,
            picture_counts: [0.0, 9.5],
            power: vec![Some(1.5), None],
            noise: Some(2.0),
            azimuth_relative: vec![],
            sharpness_run: None,
            weights: vec![0.5],
            spectrum_jpeg: None,
            rings: None,
            picture_origin_px: [-1.0, 2.5],
            tile_places_px: vec![[0.0, 0.0]],
            seam_patches_px: vec![vec![[1.0, 2.0, 0.1, -0.2]]],
            across_um: Some(0.3),
            piece: 1,
        };
        let curves = Curves {
            evidence_version: EVIDENCE_VERSION,
            frequency_cycles_per_px: vec![0.25],
            tilts: vec![tilt],
            weight_resolution_nm: vec![1.0],
            alignment: None,
            repeat: Some(RepeatCurves { tilt: 0, patches_px: vec![[1.0, 2.0, 0.5, -0.5]] }),
        };
        let pictures = vec![Picture { name: "pictures/000.jpg".into(), jpeg: vec![1, 2, 3] }];
        let mut evidence = Evidence { curves, pictures };
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("evidence.zip");
        write(&evidence, File::create(&path).unwrap()).unwrap();
        assert_eq!(read(&path).unwrap(), evidence);
        let told = |evidence: &Evidence| {
            write(evidence, File::create(&path).unwrap()).unwrap();
            read(&path).unwrap_err().to_string()
        };
        evidence.curves.tilts[0].picture_px = [70_000, 2];
        assert_eq!(told(&evidence), "evidence.json is damaged: pictures/000.jpg would be 70000 × 2 px");
        evidence.curves.repeat = Some(RepeatCurves { tilt: 1, patches_px: Vec::new() });
        assert_eq!(told(&evidence), "evidence.json is damaged: it names tilt 1 of 1, counted from 0");
        std::fs::write(&path, "no archive").unwrap();
        assert!(read(&path).is_err());
    }
}
