import createClient from "openapi-fetch";
import type { components, paths } from "./fieldworthy.d.ts";

const service = createClient<paths>({ baseUrl: "http://127.0.0.1:8000" });

const machine: components["schemas"]["KeptMachineIn"] = {
  rulebook: "plover-r5-baler",
  model: "R5",
  serial: "R5-0421",
  in_service: { on: "2025-03-01", as: "new", meters: { work: 0 } },
};
const put = await service.PUT("/v1/machines/{id}", { params: { path: { id: "r5-21" } }, body: machine });
console.log(put.data?.outcome ?? put.error?.mend);

const readings = [
  { machine: "r5-21", meter: "work", value: 640, at: "2026-07-12T18:00:00Z" },
  { machine: "r5-21", meter: "work", value: 655.5, at: "2026-07-13T19:30:00Z" },
];
const post = await service.POST("/v1/readings", { body: readings });
console.log(post.data?.kept, "readings kept");

const due = await service.GET("/v1/machines/{id}/due", {
  params: { path: { id: "r5-21" }, query: { now: "2026-07-14T07:00:00Z" } },
});
for (const task of due.data?.tasks ?? []) console.log(task.standing, task.title);

const wrong = await service.PUT("/v1/machines/{id}", {
  params: { path: { id: "r5-22" } },
  body: { ...machine, timezone: "Europe/Nowhere" },
});
if (wrong.error) {
  console.log(wrong.error.status, wrong.error.code);
  for (const each of wrong.error.errors) console.log(each.pointer, each.mend);
}
