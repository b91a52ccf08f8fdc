//! OME-TIFF: facts out of the OME-XML that stands in the first page's description: pixel size, and places and times
//! of the planes.
//!
//! Schema 2016-06, <http://www.openmicroscopy.org/Schemas/OME/2016-06>: `PhysicalSizeX` is in `PhysicalSizeXUnit`,
//! micrometres where none is stated; `pixel` and `reference frame` are no lengths.

use jiff::Timestamp;
use roxmltree::{Document, Node, ParsingOptions};

/// Elements and texts of one description; more than any microscope writes.
const MOST_NODES: u32 = 1_000_000;
/// Elements within elements; the schema needs fewer, and the parser calls itself for each.
const DEEPEST: usize = 64;

/// What is taken from OME-XML.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct OmeFacts {
    /// Pixel size at the specimen.
    pub pixel_nm: Option<f64>,
    /// The planes of the first image, with the section at which each lies.
    planes: Vec<(usize, PlaneFacts)>,
    /// What is odd about the XML.
    pub warnings: Vec<String>,
}

/// Place and time of one plane.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct PlaneFacts {
    /// Stage position, where it is given as a length.
    pub stage_um: [Option<f64>; 3],
    /// Seconds since the acquisition began.
    pub delta_s: Option<f64>,
    /// Time of the exposure, where the image's own date is given too.
    pub acquired_at: Option<Timestamp>,
    /// Exposure time.
    pub exposure_s: Option<f64>,
}

impl OmeFacts {
    /// One entry a section; empty where no plane is described.
    pub fn by_section(&self, sections: usize) -> Vec<PlaneFacts> {
        if self.planes.is_empty() {
            return Vec::new();
        }
        let mut facts = vec![PlaneFacts::default(); sections];
        for (section, plane) in &self.planes {
            if let Some(slot) = facts.get_mut(*section) {
                *slot = *plane;
            }
        }
        facts
    }
}

/// Reads OME-XML; `None` for any other text. XML that cannot be read gives a warning and no facts.
pub fn parse(description: &str) -> Option<OmeFacts> {
    let text = description.trim_end_matches('\0').trim_start_matches('\u{feff}').trim();
    // The text begins with an XML declaration or the element itself; anything else is some other description.
    if !text.starts_with('<') || !text.contains("<OME") && !text.contains(":OME") {
        return None;
    }
    let mut facts = OmeFacts::default();
    if depth(text) > DEEPEST {
        facts.warnings.push(format!("the OME-XML nests deeper than {DEEPEST} elements and was not read"));
        return Some(facts);
    }
    let options = ParsingOptions { nodes_limit: MOST_NODES, ..ParsingOptions::default() };
    match Document::parse_with_options(text, options) {
        Ok(document) => image(&document, &mut facts),
        Err(error) => facts.warnings.push(format!("the OME-XML cannot be read ({error})")),
    }
    Some(facts)
}

/// Upper bound of how deep elements nest: opening tags less closing and empty ones, wherever they stand.
fn depth(text: &str) -> usize {
    let (mut depth, mut deepest) = (0usize, 0);
    for part in text.split('<').skip(1) {
        if part.starts_with('/') {
            depth = depth.saturating_sub(1);
        } else if !part.starts_with(['?', '!']) {
            depth += 1;
            deepest = deepest.max(depth);
            depth -= usize::from(part.split('>').next().is_some_and(|tag| tag.ends_with('/')));
        }
    }
    deepest
}

fn named<'a, 'b>(node: Node<'a, 'b>, name: &'static str) -> impl Iterator<Item = Node<'a, 'b>> {
    node.children().filter(move |child| child.tag_name().name() == name)
}

fn image(document: &Document<'_>, facts: &mut OmeFacts) {
    let Some(pixels) = document.descendants().find(|node| node.tag_name().name() == "Pixels") else { return };
    let date =
        pixels.parent().and_then(|image| named(image, "AcquisitionDate").next()).and_then(|date| time(date.text()?));
    facts.pixel_nm = pixel_nm(pixels, &mut facts.warnings);
    let order = Order::of(pixels);
    for node in named(pixels, "Plane") {
        let index = |name: &str| node.attribute(name).and_then(|value| value.trim().parse().ok()).unwrap_or(0);
        let section = order.section([index("TheZ"), index("TheC"), index("TheT")]);
        facts.planes.extend(section.map(|section| (section, plane(node, date))));
    }
}

/// A date with a zone, or without one as UTC.
fn time(text: &str) -> Option<Timestamp> {
    let text = text.trim();
    let zoned = text.parse().ok();
    zoned.or_else(|| jiff::tz::TimeZone::UTC.to_timestamp(text.parse().ok()?).ok())
}

/// Pixel size in nm; `None`, with a warning where one is stated, if it is no positive length.
fn pixel_nm(pixels: Node<'_, '_>, warnings: &mut Vec<String>) -> Option<f64> {
    let size = |name: &str, unit: &str| {
        let stated = pixels.attribute(name)?;
        let unit = pixels.attribute(unit).unwrap_or("\u{b5}m");
        let nm = stated.trim().parse::<f64>().ok().zip(unit_nm(unit)).map(|(size, nm)| size * nm);
        Some(nm.filter(|nm| nm.is_finite() && *nm > 0.0).ok_or_else(|| format!("\"{stated}\" \"{unit}\"")))
    };
    match (size("PhysicalSizeX", "PhysicalSizeXUnit")?, size("PhysicalSizeY", "PhysicalSizeYUnit")) {
        (Ok(x), Some(Ok(y))) if (x - y).abs() > 0.01 * x => {
            warnings.push(format!("the OME-XML states pixels of {x} nm by {y} nm; the first is used"));
            Some(x)
        }
        (Ok(x), _) => Some(x),
        (Err(stated), _) => {
            warnings.push(format!("the OME-XML states PhysicalSizeX as {stated}, which is no pixel size"));
            None
        }
    }
}

fn plane(node: Node<'_, '_>, date: Option<Timestamp>) -> PlaneFacts {
    let number = |name: &str| node.attribute(name)?.trim().parse::<f64>().ok().filter(|value| value.is_finite());
    // A position without a unit is in the "reference frame" by the schema: no length.
    let um = |name: &str, unit: &str| Some(number(name)? * unit_nm(node.attribute(unit)?)? / 1000.0);
    let seconds = |name: &str, unit: &str| Some(number(name)? * unit_s(node.attribute(unit).unwrap_or("s"))?);
    let delta_s = seconds("DeltaT", "DeltaTUnit");
    let after = |date: Timestamp| date.checked_add(jiff::SignedDuration::try_from_secs_f64(delta_s?).ok()?).ok();
    PlaneFacts {
        stage_um: [
            um("PositionX", "PositionXUnit"),
            um("PositionY", "PositionYUnit"),
            um("PositionZ", "PositionZUnit"),
        ],
        delta_s,
        acquired_at: date.and_then(after),
        exposure_s: seconds("ExposureTime", "ExposureTimeUnit").filter(|s| *s >= 0.0),
    }
}

/// At which page of the file a plane lies: by the `TiffData` elements, else one after another in `DimensionOrder`.
struct Order {
    /// Size of z, c, t.
    sizes: [usize; 3],
    /// Places of z, c, t in the order of growth, the fastest first.
    fastest: [usize; 3],
    /// `(first plane by number, planes, first page)`.
    runs: Vec<(usize, usize, usize)>,
}

impl Order {
    fn of(pixels: Node<'_, '_>) -> Self {
        let whole =
            |node: Node<'_, '_>, name: &str| node.attribute(name).and_then(|value| value.trim().parse::<usize>().ok());
        let size = |name| whole(pixels, name).unwrap_or(1).max(1);
        let mut order = Self {
            sizes: [size("SizeZ"), size("SizeC"), size("SizeT")],
            fastest: fastest(pixels.attribute("DimensionOrder").unwrap_or("XYZCT")),
            runs: Vec::new(),
        };
        for data in named(pixels, "TiffData") {
            let index = |name| whole(data, name).unwrap_or(0);
            let first = order.number([index("FirstZ"), index("FirstC"), index("FirstT")]);
            let page = whole(data, "IFD");
            // A page alone stands for one plane, an empty element for all.
            let planes = whole(data, "PlaneCount").unwrap_or(if page.is_some() { 1 } else { usize::MAX });
            order.runs.extend(first.map(|first| (first, planes, page.unwrap_or(0))));
        }
        order
    }

    /// Number of a plane in the order of growth.
    fn number(&self, zct: [usize; 3]) -> Option<usize> {
        let mut number = 0usize;
        for &axis in self.fastest.iter().rev() {
            number = number.checked_mul(self.sizes[axis])?.checked_add(zct[axis])?;
        }
        Some(number)
    }

    fn section(&self, zct: [usize; 3]) -> Option<usize> {
        let number = self.number(zct)?;
        if self.runs.is_empty() {
            return Some(number);
        }
        let run =
            self.runs.iter().find(|(first, planes, _)| number.checked_sub(*first).is_some_and(|at| at < *planes))?;
        run.2.checked_add(number - run.0)
    }
}

fn fastest(order: &str) -> [usize; 3] {
    let axes: Vec<usize> = order.chars().filter_map(|axis| "ZCT".find(axis)).collect();
    match axes.as_slice() {
        &[a, b, c] if a != b && b != c && a != c => [a, b, c],
        _ => [0, 1, 2],
    }
}

/// Nanometres in a unit of length of the schema. Ångström and micro each have two characters in Unicode.
fn unit_nm(unit: &str) -> Option<f64> {
    match unit.trim() {
        "fm" => Some(1e-6),
        "pm" => Some(1e-3),
        "\u{c5}" | "\u{212b}" => Some(0.1),
        "nm" => Some(1.0),
        "\u{b5}m" | "\u{3bc}m" => Some(1e3),
        "mm" => Some(1e6),
        "cm" => Some(1e7),
        "dm" => Some(1e8),
        "m" => Some(1e9),
        _ => None,
    }
}

/// Seconds in a unit of time of the schema.
fn unit_s(unit: &str) -> Option<f64> {
    match unit.trim() {
        "ns" => Some(1e-9),
        "\u{b5}s" | "\u{3bc}s" => Some(1e-6),
        "ms" => Some(1e-3),
        "s" => Some(1.0),
        "min" => Some(60.0),
        "h" => Some(3600.0),
        "d" => Some(86400.0),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn facts(attributes: &str, inner: &str) -> OmeFacts {
        parse(&format!(
            "<?xml version=\"1.0\" encoding=\"UTF-8\"?><OME xmlns=\"http://www.openmicroscopy.org/Schemas/OME/2016-06\">\
             <Image><AcquisitionDate>2031-04-17T09:30:00</AcquisitionDate><Pixels {attributes}>{inner}</Pixels></Image>\
             </OME>"
        ))
        .unwrap()
    }

    #[test]
    fn units_are_told_apart() {
        for (attributes, nm) in [
            ("PhysicalSizeX=\"0.68\"", 680.0),
            ("PhysicalSizeX=\"0.68\" PhysicalSizeXUnit=\"nm\"", 0.68),
            ("PhysicalSizeX=\"6.8\" PhysicalSizeXUnit=\"Å\"", 0.68),
            ("PhysicalSizeX=\"680\" PhysicalSizeXUnit=\"pm\"", 0.68),
        ] {
            let found = facts(attributes, "").pixel_nm.unwrap();
            assert!((found / nm - 1.0).abs() < 1e-12, "{attributes}: {found}");
        }
    }

    #[test]
    fn what_is_no_length_is_no_pixel_size() {
        for size in ["PhysicalSizeX=\"1\" PhysicalSizeXUnit=\"pixel\"", "PhysicalSizeX=\"-1\"", "PhysicalSizeX=\"NaN\""]
        {
            let facts = facts(size, "");
            assert_eq!((facts.pixel_nm, facts.warnings.len()), (None, 1), "{size}");
        }
        assert_eq!(facts("", ""), OmeFacts::default());
        assert_eq!(parse("a caption"), None);
        assert!(parse("<OME><Image>").unwrap().warnings[0].starts_with("the OME-XML cannot be read"));
    }

    #[test]
    fn planes_lie_at_pages_in_the_order_of_growth() {
        let planes = "<Plane TheZ=\"1\" TheC=\"0\" TheT=\"2\" DeltaT=\"90500\" DeltaTUnit=\"ms\" ExposureTime=\"0.5\" \
                      PositionX=\"2.5\" PositionXUnit=\"mm\" PositionY=\"3\"/>";
        let sizes = "SizeZ=\"2\" SizeC=\"1\" SizeT=\"3\"";
        for (order, section) in [("XYZCT", 5), ("XYTCZ", 5), ("XYTZC", 5), ("XYCTZ", 5)] {
            let found = facts(&format!("{sizes} DimensionOrder=\"{order}\""), planes).by_section(6);
            assert_eq!(found[section].stage_um, [Some(2500.0), None, None], "{order}");
        }
        let plane = facts(sizes, &planes.replace("TheZ=\"1\"", "TheZ=\"0\"")).by_section(6)[4];
        assert_eq!((plane.delta_s, plane.exposure_s), (Some(90.5), Some(0.5)));
        assert_eq!(plane.acquired_at.unwrap().to_string(), "2031-04-17T09:31:30.5Z");
        let moved = "<TiffData IFD=\"5\" FirstT=\"0\" PlaneCount=\"1\"/><TiffData IFD=\"0\" FirstT=\"2\"/>";
        let turned = facts("SizeT=\"3\"", &format!("{moved}<Plane TheT=\"2\" ExposureTime=\"7\"/>"));
        assert_eq!(turned.by_section(6)[0].exposure_s, Some(7.0));
    }

    #[test]
    fn deep_nesting_is_refused_before_it_is_parsed() {
        let deep = format!("<OME>{}", "<a>".repeat(100_000));
        assert_eq!(parse(&deep).unwrap().warnings, ["the OME-XML nests deeper than 64 elements and was not read"]);
    }
}
