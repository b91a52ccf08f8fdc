//! Each grade has a word and a shape of its own; colour only repeats them.

use minijinja::Value;

/// The shape of a grade, as an SVG that takes the colour of the text beside it.
pub fn of_grade(grade: &str) -> Value {
    let drawing = match grade {
        "pass" => "<path d=\"M2 8.5 6.5 13 14 3.5\" fill=\"none\" stroke=\"currentColor\" stroke-width=\"2.4\"/>",
        "caution" => {
            "<rect x=\"3.4\" y=\"3.4\" width=\"9.2\" height=\"9.2\" transform=\"rotate(45 8 8)\" fill=\"none\" \
             stroke=\"currentColor\" stroke-width=\"2.2\"/>"
        }
        "fail" => "<rect x=\"2\" y=\"2\" width=\"12\" height=\"12\" fill=\"currentColor\"/>",
        _ => "<path d=\"M2 8h3M7 8h2M11 8h3\" stroke=\"currentColor\" stroke-width=\"2.2\"/>",
    };
    Value::from_safe_string(format!("<svg class=\"shape\" viewBox=\"0 0 16 16\" aria-hidden=\"true\">{drawing}</svg>"))
}
