//! The `drykeep` command.

/// The service lives on many small pieces of text, on several threads.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> std::process::ExitCode {
    drykeep::cli::run()
}
