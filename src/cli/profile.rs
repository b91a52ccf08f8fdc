//! `tiltworth profile`: list, show, check and try profiles of limits.

use crate::cli::trial::{self, TrialArgs};
use crate::judge::Profile;
use crate::judge::profile::{BUILT_IN, ProfileError};
use clap::Subcommand;
use std::path::PathBuf;

/// What to do with profiles.
#[derive(Debug, Clone, Subcommand)]
pub enum ProfileCommand {
    /// Name the built-in profiles
    List,
    /// Print a built-in profile, to start a site's own from
    Show {
        /// Its name.
        name: String,
    },
    /// Check a profile file
    Check {
        /// The file.
        file: PathBuf,
    },
    /// Find out on simulated series what a profile catches, and how often it flags a sound one
    Trial(TrialArgs),
}

/// Gives what is to be printed.
///
/// # Errors
/// A name that is not built in; a file that cannot be read or holds a mistake.
pub fn run(command: &ProfileCommand) -> Result<String, trial::Failure> {
    match command {
        ProfileCommand::List => {
            let lines: Result<Vec<String>, ProfileError> = BUILT_IN
                .iter()
                .map(|(name, text)| Ok(format!("{name:<16}{}\n", Profile::parse(text, name)?.about)))
                .collect();
            Ok(lines?.concat())
        }
        ProfileCommand::Show { name } => match BUILT_IN.iter().find(|(built_in, _)| built_in == name) {
            Some((_, text)) => Ok((*text).to_owned()),
            None => Err(ProfileError {
                origin: name.clone(),
                fault: "there is no built-in profile of this name".into(),
                remedy: "`tiltworth profile list` names them".into(),
            }
            .into()),
        },
        ProfileCommand::Trial(args) => trial::run(args),
        ProfileCommand::Check { file } => {
            let origin = file.display().to_string();
            let text = std::fs::read_to_string(file).map_err(|error| ProfileError {
                origin: origin.clone(),
                fault: format!("it cannot be read ({error})"),
                remedy: "check the name and the permission".into(),
            })?;
            let profile = Profile::parse(&text, &origin)?;
            Ok(format!("{origin}: profile {} is sound, {} checks\n", profile.name, profile.checks.len()))
        }
    }
}
