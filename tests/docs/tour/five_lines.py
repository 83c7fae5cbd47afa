from fieldworthy.client import Client

with Client() as service:
    print(service.post_readings([{"machine": "r5-17", "meter": "work", "value": 713, "at": "2026-07-14T06:30:00Z"}]).kept, "reading kept")
    for task in service.machine_due("r5-17", now="2026-07-14T07:00:00Z")["tasks"]:
        print(task["standing"], task["title"])
