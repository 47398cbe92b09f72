// One step of BenchmarkYear in DuckDB: node duckdb.js STEP DATABASE CSV FROM TO prints
// what it took, as tasks_test.go has it.
const {DuckDBInstance} = require("@duckdb/node-api");
const fs = require("fs");
const [step, file, csv, from, to] = process.argv.slice(2);

async function main() {
  const instance = await DuckDBInstance.create(file, {threads: "2"});
  const db = await instance.connect();
  const ask = async (sql) => (await db.runAndReadAll(sql)).getRowObjectsJson();
  await db.run("set TimeZone='UTC'");
  const seconds = async (f) => {
    const start = process.hrtime.bigint();
    await f();
    return Number(process.hrtime.bigint() - start) / 1e9;
  };
  let out;
  switch (step) {
  case "import": {
    const wall = await seconds(async () => {
      await db.run(`create table readings as select * from read_csv('${csv}', header = true)`);
      await db.run("checkpoint");
    });
    const [{n}] = await ask("select count(*) n from readings");
    out = {Rows: Number(n), Wall: wall, Disk: fs.statSync(file).size};
    break;
  }
  case "month": {
    const walls = [];
    for (let i = 0; i < 10; i++) {
      walls.push(await seconds(async () => {
        const r = await db.runAndReadAll(`select * from readings where tuner = 'roof-1' and frequency_hz = 473000000
          and time >= to_timestamp(${from} / 1000) and time < to_timestamp(${to} / 1000) order by time`);
        if (r.currentRowCount !== (to - from) / 60000) throw new Error(`the month has ${r.currentRowCount} rows`);
      }));
    }
    out = {Wall: walls.sort((a, b) => a - b)[5], Times: 10};
    break;
  }
  case "scan": {
    let n;
    const wall = await seconds(async () => {
      n = (await ask("select sum(n) n from (select count(*) n from readings group by tuner, frequency_hz, round(cn_db * 10))"))[0].n;
    });
    out = {Rows: Number(n), Wall: wall};
    break;
  }
  }
  console.log(JSON.stringify(out));
}
main().catch((e) => { console.error(e.message); process.exit(1); });
