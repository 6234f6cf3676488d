// Node-RED as a receiver of history and nothing else: no editor, no page, no port.
// Where the database is, PGHOST, PGDATABASE, PGUSER and the like say (the pg package's own names).

const path = require("path");
const { Pool } = require("pg");

// One connection, so that messages are kept in the order in which they come. A database that is away costs
// messages, not readings: without a receipt the board sends them again.
const database = new Pool({ max: 1, connectionTimeoutMillis: 10000, query_timeout: 60000 });
database.on("error", (err) => console.error("the database: " + err.message));

module.exports = {
  flowFile: path.join(__dirname, "flow.json"),
  credentialSecret: false,
  httpAdminRoot: false,
  httpNodeRoot: false,
  telemetry: { enabled: false, updateNotification: false },
  functionExternalModules: false,
  functionGlobalContext: { database },
  mqttReconnectTime: Number(process.env.HISTORY_RECONNECT_MS || 5000),
  logging: { console: { level: "info", metrics: false, audit: false } },
};
