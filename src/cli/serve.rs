//! `drykeep serve`: serves the API until told to stop.

use super::{Failure, open};
use crate::config::{Config, Flags};
use crate::identity::FormKey;
use crate::{server, telemetry};
use clap::Args;
use std::net::TcpListener;
use std::process::ExitCode;

/// Options of `serve`.
#[derive(Debug, Args)]
pub(super) struct Serve {
    /// Address to serve at.
    #[arg(long, value_name = "ADDRESS:PORT")]
    listen: Option<String>,
}

impl Serve {
    pub(super) fn run(&self, flags: Flags) -> Result<ExitCode, Failure> {
        let config = Config::load(&Flags { listen: self.listen.clone(), ..flags })?;
        telemetry::start_logging(&config.log, config.log_format);
        let app = open(&config)?;
        let listener = TcpListener::bind(config.listen)?;
        serve_until_stopped(app, &config, listener)?;
        Ok(ExitCode::SUCCESS)
    }
}

/// Serves on a bound listener until SIGINT or SIGTERM, then lets the requests
/// under way and the writes accepted finish.
pub(super) fn serve_until_stopped(
    app: crate::usecases::App,
    config: &Config,
    listener: TcpListener,
) -> Result<(), Failure> {
    let verifier = config.verifier(app.clock())?;
    let workers = std::thread::available_parallelism().map_or(2, std::num::NonZero::get);
    tracing::info!(address = %config.listen, database = %config.database, "serving");
    let store = app.store().clone();
    let mut http = config.http.clone();
    if http.form_key.is_none() && config.key_set.is_none() {
        http.form_key = Some(FormKey::derived(&config.secret()?));
    }
    actix_web::rt::System::new().block_on(async move {
        Ok::<_, Failure>(server::serve(app, verifier, listener, workers, &http)?.await?)
    })?;
    store.close();
    tracing::info!("stopped");
    Ok(())
}
