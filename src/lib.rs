//! tiltworth: is this tilt series worth reconstructing, which tilts should be left out, and why.
//!
//! Data flows one way, and the modules stand in that order. [`numerics`] and [`physics`] are the ground floor:
//! mathematics that knows no microscope, and formulas that know no file. [`intake`] turns files into a
//! [`intake::Series`]. [`measure`] holds one measurement a file; [`assess`] runs them all in one streaming pass
//! and knows what each needs. [`judge`] holds a profile of limits up to the figures and reaches a verdict.
//! [`record`] is what comes out, as the types of `record.json`; [`report`] draws the page from a record and its
//! evidence alone. [`ledger`] keeps many records in a database, [`compare`] charts them over weeks, [`exchange`] writes
//! them for other programs. [`simulate`] makes series with known truth, [`trial`] finds out
//! with them what a profile catches. [`many`] runs over many series, [`batch`] shares them out among machines. [`cli`] is one file a command.

// No line here is unsafe. In `numerics` and `measure` the `deny` of Cargo.toml stands in place of a `forbid`: ndarray's s![]
// allows unsafe inside itself, which a `forbid` would not let it.
#[forbid(unsafe_code)]
pub mod assess;
#[forbid(unsafe_code)]
pub mod batch;
#[forbid(unsafe_code)]
pub mod cli;
#[forbid(unsafe_code)]
pub mod compare;
#[forbid(unsafe_code)]
pub mod exchange;
#[forbid(unsafe_code)]
pub mod intake;
#[forbid(unsafe_code)]
pub mod judge;
#[forbid(unsafe_code)]
pub mod ledger;
#[forbid(unsafe_code)]
pub mod many;
pub mod measure;
#[forbid(unsafe_code)]
pub mod measured;
pub mod numerics;
#[forbid(unsafe_code)]
pub mod physics;
#[forbid(unsafe_code)]
pub mod record;
#[forbid(unsafe_code)]
pub mod report;
#[forbid(unsafe_code)]
pub mod simulate;
#[forbid(unsafe_code)]
pub mod trial;
