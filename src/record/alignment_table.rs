//! `alignment.csv`: the fitted model and the tracks, for a script that reconstructs.

use crate::record::evidence::Evidence;
use crate::record::tables::csv_text;
use crate::record::{Record, Tilt};

/// Lines before the headings; each begins with `#`.
const ABOUT: &str = "\
# alignment.csv: tracks through a tilt series and the rigid model fitted to them. Lines that begin with # explain; then comes
# one heading row. Lengths are px of the assembled picture, x along a row, y towards later stored rows; places count from its
# middle, which for width w and height h lies at ((w - 1)/2, (h - 1)/2), pixel (0,0) being the first stored pixel.
# A point at across u, along v and height z is expected at
#   (x, y) = (x_px, y_px of the tilt) + m ((cos b, -sin b) (u cos t + z sin t) + (sin b, cos b) v)
# with t = tilt_deg, m = magnification and b = axis_deg, all of the tilt's row.
# kind: tilt (one row a tilt with a pose), point (one row a track: its place in the specimen), seen (a track at a tilt)
# tilt: number of the tilt, from 0, in ascending angle, as in tilts.csv
# tilt_deg: its goniometer angle
# track: number of the track, from 0
# x_px, y_px: of a tilt, where the origin of the specimen is recorded; of seen, where the track was found
# error_px: of a tilt, one standard error of its place; of a point, one standard error of its height
# axis_deg: direction of the tilt axis in this tilt's picture, along (sin b, cos b)
# magnification: over the mean of the series
# across_px, along_px, height_px: of a point, u, v and z
# left_x_px, left_y_px: of seen, found less expected
# used: of seen, 1 where it entered, 0 where it was an outlier
";

const HEADINGS: [&str; 15] = [
    "kind",
    "tilt",
    "tilt_deg",
    "track",
    "x_px",
    "y_px",
    "error_px",
    "axis_deg",
    "magnification",
    "across_px",
    "along_px",
    "height_px",
    "left_x_px",
    "left_y_px",
    "used",
];

/// A row by its headings; what a kind does not have stays empty.
struct Row([String; 15]);

impl Row {
    fn new(kind: &str) -> Self {
        let mut row = Self(std::array::from_fn(|_| String::new()));
        row.0[0] = kind.into();
        row
    }

    fn with(mut self, heading: &str, value: impl ToString) -> Self {
        if let Some(at) = HEADINGS.iter().position(|h| *h == heading) {
            self.0[at] = value.to_string();
        }
        self
    }

    fn px(self, heading: &str, value: f64) -> Self {
        self.with(heading, format!("{value:.4}"))
    }
}

/// The table; without a model only the explanation, the reason and the headings.
///
/// # Errors
/// The record cannot be written as text.
pub fn alignment_csv(record: &Record, evidence: &Evidence) -> Result<String, csv_text::Error> {
    let alignment = &record.measures.alignment;
    let mut about = ABOUT.to_owned();
    let mut line = |text: &str| {
        let one_line = text.replace(['\n', '\r'], " ");
        about.push_str(&format!("# {one_line}\n"));
    };
    if let Some(gauge) = &alignment.gauge {
        line(&format!("What no data can tell, and how it is fixed: {gauge}"));
    }
    if let Some(outlook) = &alignment.outlook {
        line(&format!("Outlook: {outlook}"));
    }
    if let Some(why) = &alignment.why_not {
        line(&format!("Not measured: {why}"));
    }
    let mut rows = Vec::new();
    if let Some(curves) = &evidence.curves.alignment {
        rows.extend(record.tilts.iter().enumerate().filter_map(|(at, tilt)| of_tilt(record, at, tilt)));
        for (at, track) in curves.tracks.iter().enumerate() {
            let [u, v, z] = track.point_px;
            let row = Row::new("point").with("track", at).px("across_px", u).px("along_px", v).px("height_px", z);
            rows.push(row.px("error_px", track.error_px[2]));
        }
        for (at, track) in curves.tracks.iter().enumerate() {
            for sight in &track.sights {
                let deg = record.tilts.get(sight.tilt).map_or(f64::NAN, |tilt| tilt.tilt_deg);
                let row = Row::new("seen").with("tilt", sight.tilt).px("tilt_deg", deg).with("track", at);
                let row = row.px("x_px", sight.at_px[0]).px("y_px", sight.at_px[1]);
                let row = row.px("left_x_px", sight.left_px[0]).px("left_y_px", sight.left_px[1]);
                rows.push(row.with("used", u8::from(sight.used)));
            }
        }
    }
    let headings: Vec<String> = HEADINGS.map(str::to_owned).to_vec();
    Ok(about + &csv_text::write(&headings, rows.into_iter().map(|row| row.0.to_vec()))?)
}

fn of_tilt(record: &Record, at: usize, tilt: &Tilt) -> Option<Row> {
    let pose = tilt.alignment.as_ref()?;
    let axis_deg = record.measures.alignment.axis_deg? - pose.turn_deg.unwrap_or(0.0);
    let row = Row::new("tilt").with("tilt", at).px("tilt_deg", tilt.tilt_deg);
    let row = row.px("x_px", pose.shift_x_px?).px("y_px", pose.shift_y_px?).px("axis_deg", axis_deg);
    let row = row.with("magnification", format!("{:.6}", pose.magnification.unwrap_or(1.0)));
    Some(match pose.shift_error_px {
        Some(error) => row.px("error_px", error),
        None => row,
    })
}
