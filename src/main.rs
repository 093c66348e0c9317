//! The `drykeep` command.

fn main() -> std::process::ExitCode {
    drykeep::cli::run()
}
