//! A record for other people's programs: the open `.eln` archive of electronic lab notebooks, and the items of the public
//! mmCIF dictionary.

pub mod cif;
pub mod eln;
