//! stub until merged
#[derive(Debug, clap::Args)]
/// x
pub struct SimulateArgs {}
/// x
pub fn run(_: &SimulateArgs) -> Result<String, String> {
    Err("x".into())
}
