//! Who may ask for what: hosts, origins and keys.
//!
//! A page from elsewhere can make a browser send requests here, but not choose their `Host`, hide their `Origin` or add headers
//! of its own without asking first (Fetch standard, "CORS-preflight fetch"), and no question of that kind is answered.

use std::net::{IpAddr, Ipv4Addr};

use axum::http::{HeaderMap, Method, header};

use super::keys::{Keys, Role};

/// Header that carries a key.
pub(super) const KEY: &str = "x-bench-key";
/// Header that every change carries: a page from elsewhere cannot add it.
pub(super) const OURS: &str = "x-bench";

/// What is let in.
pub(super) struct Guard {
    port: u16,
    keys: Option<Keys>,
}

impl Guard {
    pub(super) fn new(port: u16, keys: Option<Keys>) -> Self {
        Self { port, keys }
    }

    pub(super) fn shared(&self) -> bool {
        self.keys.is_some()
    }

    /// Whether the request is meant for this server and comes from its own page or from no page.
    ///
    /// # Errors
    /// Why not.
    pub(super) fn place(&self, headers: &HeaderMap) -> Result<(), &'static str> {
        let text = |name: header::HeaderName| -> Result<Option<String>, &'static str> {
            let mut all = headers.get_all(name).iter();
            match (all.next(), all.next()) {
                (None, _) => Ok(None),
                (Some(one), None) => one
                    .to_str()
                    .map(|text| Some(text.to_ascii_lowercase()))
                    .map_err(|_| "a header is no text"),
                (Some(_), Some(_)) => Err("a header comes twice"),
            }
        };
        let host = text(header::HOST)?.ok_or("the request names no host")?;
        if !self.is_ours(&host) {
            return Err(
                "the request is meant for another host; use the address that the program printed",
            );
        }
        if let Some(origin) = text(header::ORIGIN)?
            && origin != format!("http://{host}")
        {
            return Err(
                "the request comes from another page; use the address that the program printed",
            );
        }
        let site = text(header::HeaderName::from_static("sec-fetch-site"))?;
        // "none" is an address typed by a person or a link in another program.
        if site.is_some_and(|site| !matches!(site.as_str(), "same-origin" | "none")) {
            return Err(
                "the request comes from another page; use the address that the program printed",
            );
        }
        Ok(())
    }

    /// A host by name can be pointed anywhere by whoever owns the name, so only this machine's own names and bare addresses are ours.
    fn is_ours(&self, host: &str) -> bool {
        let Some((name, port)) = host.rsplit_once(':') else {
            return false;
        };
        if port.parse() != Ok(self.port) {
            return false;
        }
        if matches!(name, "localhost" | "127.0.0.1" | "[::1]") {
            return true;
        }
        let address = name.parse::<Ipv4Addr>().map(IpAddr::V4);
        self.shared() && address.is_ok_and(|ip| !ip.is_unspecified())
    }

    /// Who asks. `query_key` is the key of the address, for downloads.
    pub(super) fn role(
        &self,
        method: &Method,
        headers: &HeaderMap,
        query_key: Option<&str>,
    ) -> Option<Role> {
        let Some(keys) = &self.keys else {
            let reads = matches!(*method, Method::GET | Method::HEAD);
            return (reads || headers.contains_key(OURS)).then_some(Role::Operator);
        };
        let given = headers
            .get(KEY)
            .and_then(|key| key.to_str().ok())
            .or(query_key);
        given.and_then(|given| keys.role(given))
    }
}
