//! What a comparison was made of and what was chosen, in words for its page.

use super::compare::CompareArgs;
use crate::ledger::Address;

/// All series of a ledger, no password in its address.
pub fn ledger(address: &Address) -> String {
    format!("ledger {address}")
}

/// So many records that were named.
pub fn files(records: usize) -> String {
    format!("{records} record files")
}

/// What was chosen of them.
pub fn words(args: &CompareArgs) -> Vec<String> {
    let filter = &args.filter;
    let told = [
        filter.instrument.as_ref().map(|name| format!("microscope {name}")),
        filter.since.as_ref().map(|day| format!("since {day}")),
        filter.until.as_ref().map(|day| format!("until {day}")),
        filter.specimen.as_ref().map(|kind| format!("specimen {kind}")),
        args.baseline_since.as_ref().map(|day| format!("baseline since {day}")),
        args.baseline_until.as_ref().map(|day| format!("baseline until {day}")),
        args.profile.as_ref().map(|name| format!("profile {name}")),
    ];
    told.into_iter().flatten().collect()
}
