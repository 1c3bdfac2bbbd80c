//! The program `lineturn`.

fn main() -> std::process::ExitCode {
    lineturn::cli::main()
}
