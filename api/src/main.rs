//! The program `proofhold`.

use mimalloc::MiMalloc;

#[global_allocator]
static MEMORY: MiMalloc = MiMalloc;

fn main() -> std::process::ExitCode {
    api::cli::main()
}
