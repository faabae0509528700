//! The program `proofhold`.

fn main() -> std::process::ExitCode {
    api::cli::main()
}
