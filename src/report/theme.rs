//! From placeholder colours to the page's own: plotters writes its colours inline, the page has two themes.

use plotters::style::RGBColor;

/// A colour role: the placeholder that plots are drawn in, and the page's variable.
pub struct Role {
    /// What plotters draws with.
    pub placeholder: RGBColor,
    variable: &'static str,
}

macro_rules! role {
    ($name:ident, $doc:literal, $n:literal, $variable:literal) => {
        #[doc = $doc]
        pub const $name: Role = Role { placeholder: RGBColor(1, 2, $n), variable: $variable };
    };
}

role!(INK, "Text, axes.", 11, "var(--ink)");
role!(FAINT, "Grid lines.", 12, "var(--line)");
role!(DATA, "Measured points and lines.", 13, "var(--data)");
role!(SECOND, "A second set of measured points.", 14, "var(--second)");
role!(BAND, "Spread of what was measured.", 15, "var(--band)");
role!(LIMIT, "First limits.", 16, "var(--caution)");
role!(FAIL, "Second limits, and what is left out.", 17, "var(--fail)");
role!(AIM, "What was aimed at.", 18, "var(--aim)");

const ROLES: [Role; 8] = [INK, FAINT, DATA, SECOND, BAND, LIMIT, FAIL, AIM];

/// What a plot tells to those who do not see it, and how its x axis runs.
pub struct About<'a> {
    /// Short name.
    pub title: &'a str,
    /// The finding in words.
    pub finding: &'a str,
    /// Pixels of the left and right end of the x axis, and the angles there.
    pub x_axis: Option<([i32; 2], [f64; 2])>,
}

/// Puts theme, description and axis into an SVG that plotters has made.
pub fn apply(svg: &str, size: (u32, u32), about: &About<'_>) -> String {
    let mut body = svg.to_owned();
    for role in ROLES {
        let RGBColor(r, g, b) = role.placeholder;
        body = body.replace(&format!("#{r:02X}{g:02X}{b:02X}"), role.variable);
    }
    let body = lighter(&body);
    let inner = body.find('>').map_or("", |end| &body[end + 1..]);
    let inner = inner.trim_end().trim_end_matches("</svg>");
    let axis = about.x_axis.map_or(String::new(), |([left, right], [min, max])| {
        format!(" data-left=\"{left}\" data-right=\"{right}\" data-min=\"{min}\" data-max=\"{max}\"")
    });
    format!(
        "<svg class=\"plot\" viewBox=\"0 0 {} {}\" role=\"img\" aria-label=\"{}: {}\"{axis}>{inner}</svg>",
        size.0,
        size.1,
        escape(about.title),
        escape(about.finding)
    )
}

/// The same drawing in fewer bytes: what only states a default, and digits that no screen shows.
fn lighter(svg: &str) -> String {
    let mut out = String::with_capacity(svg.len());
    for line in svg.lines() {
        let at_text = out.ends_with('>') || line.starts_with('<') || out.is_empty();
        if !at_text {
            out.push(' ');
        }
        out.push_str(line.trim_end());
    }
    let out = out.replace(" opacity=\"1\"", "").replace(" font-family=\"sans-serif\"", "").replace(" \"/>", "\"/>");
    match out.find("font-size=\"") {
        // plotters gives a font's size by its em square, with all digits.
        Some(at) => {
            let digits: String = out[at + 11..].chars().take_while(|c| *c != '"').collect();
            match digits.parse::<f64>() {
                Ok(size) => out.replace(&format!("font-size=\"{digits}\""), &format!("font-size=\"{size:.1}\"")),
                Err(_) => out,
            }
        }
        None => out,
    }
}

/// Text for markup and attributes.
pub fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn placeholders_become_the_pages_colours() {
        let about = About { title: "a", finding: "\"<b>", x_axis: Some(([1, 9], [-6.0, 6.0])) };
        let svg = apply("<svg width=\"9\"><g fill=\"#01020D\"/></svg>\n", (9, 5), &about);
        assert_eq!(
            svg,
            "<svg class=\"plot\" viewBox=\"0 0 9 5\" role=\"img\" aria-label=\"a: &quot;&lt;b&gt;\" data-left=\"1\" \
             data-right=\"9\" data-min=\"-6\" data-max=\"6\"><g fill=\"var(--data)\"/></svg>"
        );
    }
}
