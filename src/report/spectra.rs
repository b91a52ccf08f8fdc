//! Rotational spectra as a map of tilt by frequency: power of each tilt over the series' median at that frequency.
//! A blurred tilt is a column that grows paler towards high frequencies.

use crate::record::Record;
use crate::record::evidence::Curves;
use crate::report::page::ReportError;
use crate::report::plot::{self, SIZE, Shown};
use base64::Engine;
use image::codecs::png::PngEncoder;
use image::{ExtendedColorType, ImageEncoder};
use std::io::Cursor;

/// The ramp reaches from a third to three times the median.
const DECADES: f64 = 0.5;
const COLUMNS: usize = 480;

/// Draws the map; `None` where no tilt has a spectrum.
pub fn draw(shown: &Shown<'_>, curves: &Curves) -> Result<Option<String>, ReportError> {
    let Shown { record, words } = *shown;
    if curves.tilts.iter().all(|tilt| tilt.power.is_empty()) {
        return Ok(None);
    }
    let rings = curves.frequency_cycles_per_px.len();
    let medians: Vec<Option<f64>> = (0..rings).map(|ring| median(curves, ring)).collect();
    let range = 0.0..record.series.pixel_nm.map_or(0.5, |pixel_nm| 0.5 / pixel_nm);
    let finding = words.plot("spectra", "finding");
    let svg = if record.series.pixel_nm.is_some() {
        plot::over_tilt(shown, "spectra", finding, range, |_| Ok(()))?
    } else {
        plot::over_tilt(shown, "spectra_in_pixels", finding, range, |_| Ok(()))?
    };
    let png = png(record, curves, &medians)?;
    Ok(Some(lay_in(&svg, &png)))
}

fn median(curves: &Curves, ring: usize) -> Option<f64> {
    let values = curves.tilts.iter().filter_map(|tilt| (*tilt.power.get(ring)?).map(f64::from));
    let mut values: Vec<f64> = values.filter(|value| *value > 0.0).collect();
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

/// One pixel a ring, from high frequencies at the top to low ones; columns by the nearest tilt, empty in gaps.
fn png(record: &Record, curves: &Curves, medians: &[Option<f64>]) -> Result<Vec<u8>, ReportError> {
    let angles = plot::angle_range(record);
    let reach = 0.55 * record.measures.coverage.step_deg.unwrap_or(2.0).max(0.5);
    let rings = medians.len();
    let mut pixels = vec![0u8; COLUMNS * rings * 4];
    for column in 0..COLUMNS {
        let angle = angles.start + (angles.end - angles.start) * (column as f64 + 0.5) / COLUMNS as f64;
        let nearest = (0..record.tilts.len())
            .min_by(|&a, &b| distance(record, a, angle).total_cmp(&distance(record, b, angle)))
            .filter(|&at| distance(record, at, angle) <= reach);
        let Some(tilt) = nearest.and_then(|at| curves.tilts.get(at)) else { continue };
        for (ring, median) in medians.iter().enumerate() {
            let power = tilt.power.get(ring).copied().flatten().map(f64::from);
            if let Some((power, median)) = power.zip(*median) {
                let at = 4 * ((rings - 1 - ring) * COLUMNS + column);
                pixels[at..at + 4].copy_from_slice(&shade((power.max(1e-30) / median).log10() / DECADES));
            }
        }
    }
    let mut png = Cursor::new(Vec::new());
    let (width, height) = (COLUMNS as u32, u32::try_from(rings).unwrap_or(0));
    plot::drawn(PngEncoder::new(&mut png).write_image(&pixels, width, height, ExtendedColorType::Rgba8))?;
    Ok(png.into_inner())
}

fn distance(record: &Record, at: usize, angle: f64) -> f64 {
    (record.tilts[at].tilt_deg - angle).abs()
}

/// A single hue by lightness, from pale (a third of the median) to deep (three times): light and dark pages alike.
fn shade(value: f64) -> [u8; 4] {
    const PALE: [f64; 3] = [236.0, 231.0, 214.0];
    const DEEP: [f64; 3] = [9.0, 52.0, 92.0];
    let t = (0.5 + 0.5 * value).clamp(0.0, 1.0);
    let mix = |i: usize| (PALE[i] + (DEEP[i] - PALE[i]) * t).round() as u8;
    [mix(0), mix(1), mix(2), 255]
}

/// Lays the picture over the plotting area, whose ends the plot states; its height is fixed by the shared margins.
fn lay_in(svg: &str, png: &[u8]) -> String {
    let attribute = |name: &str| -> i32 {
        let value = svg.split_once(&format!("{name}=\"")).and_then(|(_, rest)| rest.split_once('"')).map(|(v, _)| v);
        value.and_then(|value| value.parse().ok()).unwrap_or(0)
    };
    let (left, right) = (attribute("data-left"), attribute("data-right"));
    let (top, bottom) = (8, SIZE.1 as i32 - 8 - 44);
    let data = base64::engine::general_purpose::STANDARD.encode(png);
    let image = format!(
        "<image x=\"{left}\" y=\"{top}\" width=\"{}\" height=\"{}\" preserveAspectRatio=\"none\" \
         href=\"data:image/png;base64,{data}\"/></svg>",
        right - left,
        bottom - top
    );
    format!("{}{image}", svg.trim_end_matches("</svg>"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ramp_is_bounded_and_monotone_in_lightness() {
        let lightness = |value: f64| shade(value)[..3].iter().map(|&c| u32::from(c)).sum::<u32>();
        assert_eq!(shade(-9.0), shade(-1.0));
        assert!(lightness(-1.0) > lightness(0.0) && lightness(0.0) > lightness(1.0));
    }
}
