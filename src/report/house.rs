//! The house that a report comes from: the `[house]` of the profile, whose text the record holds.

use crate::judge::house::House;
use crate::record::Record;

/// The house named by the profile that the record was judged by; `None` where it names none.
pub fn of(record: &Record) -> Option<House> {
    let profile: toml::Table = record.profile.text.as_ref()?.parse().ok()?;
    let house: House = profile.get("house")?.clone().try_into().ok()?;
    // A record may come from anywhere: what would not pass as a profile is not shown.
    house.fault().is_none().then_some(house)
}
