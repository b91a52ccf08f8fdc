//! OME-TIFF: facts out of the OME-XML that stands in the first page's description.

use roxmltree::Document;

/// Pixel size in nm from `Pixels/@PhysicalSizeX`; the unit's default is µm (OME schema 2016-06). `None` where the
/// text is no OME-XML, states no size, or states it in a unit that is no length.
pub fn pixel_nm(description: &str) -> Option<f64> {
    let text = description.trim_end_matches('\0');
    // The text begins with an XML declaration or the element itself; anything else is some other description.
    if !text.trim_start().starts_with('<') || !text.contains("<OME") && !text.contains(":OME") {
        return None;
    }
    let document = Document::parse(text).ok()?;
    let pixels = document.descendants().find(|node| node.tag_name().name() == "Pixels")?;
    let size: f64 = pixels.attribute("PhysicalSizeX")?.trim().parse().ok()?;
    let nm = size * unit_nm(pixels.attribute("PhysicalSizeXUnit").unwrap_or("µm"))?;
    (nm.is_finite() && nm > 0.0).then_some(nm)
}

fn unit_nm(unit: &str) -> Option<f64> {
    match unit {
        "pm" => Some(1e-3),
        // U+00C5 by the schema; U+212B is the look-alike that some keyboards give.
        "\u{c5}" | "\u{212b}" => Some(0.1),
        "nm" => Some(1.0),
        "\u{b5}m" | "\u{3bc}m" => Some(1e3),
        "mm" => Some(1e6),
        "cm" => Some(1e7),
        "m" => Some(1e9),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn size(attributes: &str) -> Option<f64> {
        pixel_nm(&format!(
            "<?xml version=\"1.0\" encoding=\"UTF-8\"?><OME xmlns=\"http://www.openmicroscopy.org/Schemas/OME/2016-06\">\
             <Image><Pixels SizeX=\"9\" {attributes}/></Image></OME>"
        ))
    }

    #[test]
    fn units_are_told_apart() {
        let near =
            |attributes: &str, nm: f64| assert!((size(attributes).unwrap() / nm - 1.0).abs() < 1e-12, "{attributes}");
        near("PhysicalSizeX=\"0.68\"", 680.0);
        near("PhysicalSizeX=\"0.68\" PhysicalSizeXUnit=\"nm\"", 0.68);
        near("PhysicalSizeX=\"6.8\" PhysicalSizeXUnit=\"Å\"", 0.68);
    }

    #[test]
    fn what_is_no_length_is_no_pixel_size() {
        assert_eq!(size("PhysicalSizeX=\"1\" PhysicalSizeXUnit=\"pixel\""), None);
        assert_eq!(size("PhysicalSizeX=\"-1\""), None);
        assert_eq!(size(""), None);
        assert_eq!(pixel_nm("a caption"), None);
        assert_eq!(pixel_nm("<OME"), None);
    }
}
