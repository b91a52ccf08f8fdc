//! `tiltworth simulate`: makes a series with known truth from a recipe.

use crate::simulate::weeks::{self, WeeksError, WeeksRecipe};
use crate::simulate::{Recipe, SimulateError, run as simulate, write};
use std::path::PathBuf;

/// What was typed.
#[derive(Debug, Clone, clap::Args)]
pub struct SimulateArgs {
    /// The recipe (TOML); demo-stacks holds examples
    #[arg(value_name = "RECIPE.toml")]
    pub recipe: PathBuf,
    /// Folder to write: series.toml, sections.csv, stack.tif and truth.json; of a recipe of weeks, a record a series
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Replace the folder if it is there already
    #[arg(long)]
    pub force: bool,
}

/// Makes the series and writes it; says where.
///
/// # Errors
/// A recipe that cannot be, a folder that is there already, or what the disk says.
pub fn run(args: &SimulateArgs) -> Result<String, WeeksError> {
    let text = std::fs::read_to_string(&args.recipe).map_err(|error| SimulateError::io(&args.recipe, error))?;
    if WeeksRecipe::is_one(&text) {
        let number = weeks::write(&WeeksRecipe::parse(&text, &args.recipe)?, &args.out, args.force)?;
        return Ok(format!("records: {number} in {}\n", args.out.display()));
    }
    let recipe = Recipe::from_file(&args.recipe)?;
    // Before the work, and again in `write`: an hour's pixels should not be lost to a name.
    if args.out.exists() && !args.force {
        return Err(SimulateError::Exists(args.out.clone()).into());
    }
    write(&recipe, &simulate(&recipe), &args.out, args.force)?;
    Ok(format!("series: {}\n", args.out.display()))
}
