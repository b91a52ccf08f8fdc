//! tiltworth: is this tilt series worth reconstructing, which tilts should be left out, and why.
//!
//! Data flows one way, and the modules stand in that order. [`numerics`] and [`physics`] are the ground floor:
//! mathematics that knows no microscope, and formulas that know no file. [`intake`] turns files into a
//! [`intake::Series`]. [`measure`] holds one measurement a file; [`assess`] runs them all in one streaming pass
//! and knows what each needs. [`judge`] holds a profile of limits up to the figures and reaches a verdict.
//! [`record`] is what comes out, as the types of `record.json`; [`report`] draws the page from a record and its
//! evidence alone. [`ledger`] keeps many records in a database, [`compare`] charts them over weeks, [`exchange`] writes
//! them for other programs. [`simulate`] makes series with known truth, [`trial`] finds out
//! with them what a profile catches. [`cli`] is one file a command.

pub mod assess;
pub mod cli;
pub mod compare;
pub mod exchange;
pub mod intake;
pub mod judge;
pub mod ledger;
pub mod measure;
pub mod measured;
pub mod numerics;
pub mod physics;
pub mod record;
pub mod report;
pub mod simulate;
pub mod trial;
