//! `[house]` of a profile: the name and the logo that a facility's reports carry. It judges nothing.

use serde::{Deserialize, Serialize};

/// A logo beyond this makes every page heavy.
const MOST_LOGO_CHARACTERS: usize = 200_000;
const KINDS: [&str; 3] = ["data:image/png;base64,", "data:image/jpeg;base64,", "data:image/svg+xml;base64,"];

/// Name and logo of a facility.
#[derive(Debug, Clone, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
pub struct House {
    /// Its name.
    pub name: Option<String>,
    /// Its logo as a `data:` address, so that profile, record and page need no file beside them.
    pub logo: Option<String>,
}

impl House {
    /// Why this cannot stand on a page.
    pub fn fault(&self) -> Option<&'static str> {
        let logo = self.logo.as_deref()?;
        let base64 = KINDS.iter().find_map(|kind| logo.strip_prefix(kind));
        let letter = |c: u8| c.is_ascii_alphanumeric() || matches!(c, b'+' | b'/' | b'=');
        match base64 {
            None => Some("house.logo is no PNG, JPEG or SVG as data:image/…;base64,…"),
            Some(text) if !text.bytes().all(letter) => Some("house.logo holds what is no base64"),
            Some(text) if text.len() > MOST_LOGO_CHARACTERS => Some("house.logo is over 200,000 characters"),
            Some(_) => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_logo_is_a_picture_and_nothing_else() {
        let fault = |logo: &str| House { name: None, logo: Some(logo.into()) }.fault();
        assert_eq!(fault("data:image/png;base64,iVBORw0KGgo="), None);
        assert!(fault("https://example.org/logo.png").is_some());
        assert!(fault("data:text/html;base64,PGI+").is_some());
        assert!(fault("data:image/png;base64,\" onload=\"x").is_some());
        assert_eq!(House::default().fault(), None);
    }
}
