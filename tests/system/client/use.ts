// Uses the generated client as an integrator would. Every line is checked by the compiler against the types that were
// made from /openapi.json, and then run against the daemon. Prints a line of JSON; throws where an answer is not as typed.
import { client } from "./client/client.gen";
import * as api from "./client/sdk.gen";
import type { Probe, Problem, Ticket } from "./client/types.gen";

declare const process: { argv: string[]; exit(code: number): never };
const [, , baseUrl, token, csv] = process.argv;
client.setConfig({ baseUrl, auth: () => token });

function check(holds: unknown, what: string): asserts holds {
  if (!holds) throw new Error(what);
}

async function allProbes(): Promise<Probe[]> {
  const found: Probe[] = [];
  for (let after: string | undefined; ; ) {
    const { data } = await api.getV1Probes({ query: { limit: 1, after }, throwOnError: true });
    found.push(...data.items);
    if (data.next === null) return found;
    after = data.next;
  }
}

async function firstTicket(): Promise<Ticket> {
  for (let i = 0; i < 300; ++i) {
    const { data } = await api.getV1Tickets({ query: { state: "open" }, throwOnError: true });
    if (data.items.length > 0) return data.items[0];
    await new Promise((done) => setTimeout(done, 100));
  }
  throw new Error("no ticket within 30 s");
}

async function main() {
  const { data: health } = await api.getV1Health({ throwOnError: true });
  const probes = await allProbes();

  const { data: upload } = await api.postV1Readings({ body: csv, throwOnError: true });
  check(upload.accepted > 0 && upload.bad === 0, `upload ${JSON.stringify(upload)}`);
  const { data: readings } = await api.getV1ProbesProbeReadings({ path: { probe: "by-csv" }, throwOnError: true });
  check("flags" in readings && readings.do_mg_l.length === readings.time.length, "raw readings");
  const { data: steps } = await api.getV1ProbesProbeReadings({
    path: { probe: "by-csv" }, query: { step_s: 3600 }, throwOnError: true });
  check("count" in steps && steps.do_mg_l_mean.length === steps.time.length, "steps");

  const hours = (n: number) => new Date(Date.now() - n * 3_600_000).toISOString();
  const { data: record } = await api.postV1ProbesProbeServiceRecords({
    path: { probe: "by-csv" }, headers: { "Idempotency-Key": "a" }, throwOnError: true,
    body: { kind: "reference_check", time: hours(2), reference_mg_l: 3.0, probe_mg_l: 9.0, by: "t" } });
  check(record.kind === "reference_check" && record.voided === null, "record");

  const listening = new AbortController();
  const { stream } = await api.getV1Events({ query: { last_event_id: 0 }, signal: listening.signal });
  const ticket = await firstTicket();
  check(ticket.reasons.some((reason) => reason.code === "reference_disagreement"), "reason");
  const { data: taken } = await api.postV1TicketsTicketAcknowledge({
    path: { ticket: ticket.id }, body: { by: "t" }, throwOnError: true });
  check(taken.state === "acknowledged" && taken.history.at(-1)?.by === "t", "step");
  for await (const told of stream) {
    const event = told as unknown as Ticket;
    if (event.id === ticket.id && event.state === "acknowledged") break;
  }
  listening.abort();

  const again = await api.postV1TicketsTicketAcknowledge({ path: { ticket: ticket.id }, body: { by: "t" } });
  const conflict: Problem | undefined = again.error;
  check(conflict?.status === 409 && Array.isArray(conflict.steps), "conflict");
  const none = await api.getV1ProbesProbe({ path: { probe: "nosuch" } });
  check(none.error?.type === "/problems/not-found" && none.response.status === 404, "not found");

  const { data: chart } = await api.getV1ProbesProbeChartSvg({
    path: { probe: "by-csv" }, query: { quantity: "do", days: 1 }, throwOnError: true });
  check((typeof chart === "string" ? chart : await (chart as Blob).text()).startsWith("<svg"), "chart");
  console.log(JSON.stringify({ version: health.version, probes: probes.map((p) => p.id), ticket: ticket.id }));
  process.exit(0);
}

main().catch((error) => {
  console.error(error);
  process.exit(1);
});
