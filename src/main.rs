//! The command line's entry: everything else is in the library.

fn main() -> std::process::ExitCode {
    hingeclock::cli::main()
}
