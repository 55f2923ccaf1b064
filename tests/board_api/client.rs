//! A plain HTTP client and a reader of server-sent events.

use std::collections::HashMap;
use std::io::{BufRead, BufReader, Read};
use std::net::SocketAddr;
use std::time::Duration;

use portproof::board::Access;
use serde_json::Value;
use tokio::sync::oneshot;

use crate::world::World;

pub struct Client {
    address: SocketAddr,
    agent: ureq::Agent,
    stop: Option<oneshot::Sender<()>>,
}

impl Client {
    /// Serves the world's board on a free port of loopback, on a thread of its own.
    pub fn start(world: &World, access: Access) -> Client {
        Client::start_at(world, access, "127.0.0.1:0")
    }

    pub fn start_at(world: &World, access: Access, address: &str) -> Client {
        let board = world.board(access);
        let (stop, stopped) = oneshot::channel::<()>();
        let listener = std::net::TcpListener::bind(address).unwrap();
        listener.set_nonblocking(true).unwrap();
        let address = listener.local_addr().unwrap();
        std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread()
                .enable_all()
                .build()
                .unwrap();
            runtime.block_on(async {
                let listener = tokio::net::TcpListener::from_std(listener).unwrap();
                let stopped = async { stopped.await.unwrap_or(()) };
                board.serve(listener, stopped).await.unwrap();
            });
        });
        let agent = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .allow_non_standard_methods(true)
            .build()
            .into();
        Client {
            address,
            agent,
            stop: Some(stop),
        }
    }

    pub fn address(&self) -> SocketAddr {
        self.address
    }

    pub fn stop(&mut self) {
        self.stop.take().unwrap().send(()).unwrap();
    }

    fn run(
        &self,
        method: &str,
        path: &str,
        headers: &[(&str, &str)],
        body: Option<&str>,
    ) -> ureq::http::Response<ureq::Body> {
        let mut request = ureq::http::Request::builder()
            .method(method)
            .uri(format!("http://{}{path}", self.address));
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let has_type = headers.iter().any(|(name, _)| *name == "Content-Type");
        match body {
            Some(body) => {
                if !has_type {
                    request = request.header("Content-Type", "application/json");
                }
                self.agent
                    .run(request.body(body.to_owned()).unwrap())
                    .unwrap()
            }
            None => self.agent.run(request.body(()).unwrap()).unwrap(),
        }
    }

    pub fn raw(
        &self,
        method: &str,
        path: &str,
        headers: &[(&str, &str)],
        body: Option<&str>,
    ) -> (u16, String) {
        let mut response = self.run(method, path, headers, body);
        let text = response.body_mut().read_to_string().unwrap();
        (response.status().as_u16(), text)
    }

    pub fn octets(&self, path: &str) -> Vec<u8> {
        let mut response = self.run("GET", path, &[], None);
        assert_eq!(response.status().as_u16(), 200, "{path}");
        response.body_mut().read_to_vec().unwrap()
    }

    pub fn headers(&self, path: &str) -> HashMap<String, String> {
        self.run("GET", path, &[], None)
            .headers()
            .iter()
            .map(|(name, value)| (name.to_string(), value.to_str().unwrap().to_owned()))
            .collect()
    }

    pub fn get(&self, path: &str) -> Value {
        let (status, body) = self.raw("GET", path, &[], None);
        assert_eq!(status, 200, "{path}: {body}");
        serde_json::from_str(&body).unwrap()
    }

    pub fn send(&self, method: &str, path: &str, body: &Value) -> (u16, Value) {
        let (status, body) = self.raw(method, path, &[], Some(&body.to_string()));
        (status, serde_json::from_str(&body).unwrap_or(Value::Null))
    }

    /// Asks until the answer is as wanted; the runner's own limit ends a wait for ever.
    pub fn wait_for(&self, path: &str, wanted: impl Fn(&str) -> bool) -> String {
        loop {
            let (_, body) = self.raw("GET", path, &[], None);
            if wanted(&body) {
                return body;
            }
            std::thread::sleep(Duration::from_millis(5));
        }
    }
}

/// One server-sent event.
#[derive(Debug)]
pub struct Event {
    pub name: String,
    pub id: String,
    pub data: String,
}

pub struct Events {
    lines: std::io::Lines<BufReader<Box<dyn Read + Send>>>,
    last_id: String,
    left: Vec<u64>,
}

impl Events {
    pub fn open(client: &Client, path: &str, last_id: Option<&str>) -> Events {
        let headers: Vec<(&str, &str)> = last_id
            .map(|id| ("Last-Event-ID", id))
            .into_iter()
            .collect();
        let response = client.run("GET", path, &headers, None);
        assert_eq!(response.status().as_u16(), 200);
        let reader: Box<dyn Read + Send> = Box::new(response.into_body().into_reader());
        Events {
            lines: BufReader::new(reader).lines(),
            last_id: last_id.unwrap_or_default().to_owned(),
            left: Vec::new(),
        }
    }

    pub fn next(&mut self) -> Event {
        let mut event = Event {
            name: String::new(),
            id: String::new(),
            data: String::new(),
        };
        loop {
            let line = self.lines.next().expect("the stream goes on").unwrap();
            match line.split_once(": ").or_else(|| line.split_once(':')) {
                Some(("event", name)) => event.name = name.to_owned(),
                Some(("id", id)) => event.id = id.to_owned(),
                Some(("data", data)) => event.data = data.to_owned(),
                _ if line.is_empty() && !event.name.is_empty() => {
                    self.last_id.clone_from(&event.id);
                    return event;
                }
                _ => {}
            }
        }
    }

    /// The numbers of at least the next `count` entries, in the order in which they came: whole
    /// events.
    pub fn numbers(&mut self, count: usize) -> Vec<u64> {
        let mut numbers = std::mem::take(&mut self.left);
        while numbers.len() < count {
            let event = self.next();
            assert_eq!(event.name, "entries");
            let entries: Vec<Value> = serde_json::from_str(&event.data).unwrap();
            numbers.extend(entries.iter().map(|entry| entry["seq"].as_u64().unwrap()));
        }
        numbers
    }

    pub fn last_id(&self) -> String {
        self.last_id.clone()
    }

    pub fn ends(&mut self) -> bool {
        self.lines.by_ref().all(|line| line.is_ok())
    }
}
