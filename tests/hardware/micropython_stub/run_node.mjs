// Runs the node's script under a real MicroPython (its WebAssembly build): node run_node.mjs MODULE FOLDER SECONDS
import fs from "node:fs";
import path from "node:path";
import { pathToFileURL } from "node:url";

const [module, folder, seconds] = process.argv.slice(2);
const { loadMicroPython } = await import(pathToFileURL(module).href);
const micropython = await loadMicroPython({ linebuffer: false, stdout: (bytes) => process.stdout.write(bytes) });
const here = path.dirname(new URL(import.meta.url).pathname);
for (const name of fs.readdirSync(folder).filter((one) => one.endsWith(".py"))) {
  micropython.FS.writeFile(name, fs.readFileSync(path.join(folder, name)));
}
micropython.FS.writeFile("machine.py", fs.readFileSync(path.join(here, "machine.py")));
micropython.FS.writeFile("time.py", fs.readFileSync(path.join(here, "virtual_time.py")));
micropython.runPython(`import main\nmain.run(${seconds})`);
