// Reads Parquet files with hyparquet, which has nothing in common with what wrote them.
// The question is a list of files, the answer their rows, with times in milliseconds.
import { readFileSync } from 'node:fs'
import { asyncBufferFromFile, parquetReadObjects } from 'hyparquet'

const files = JSON.parse(readFileSync(0, 'utf8'))
const answer = []
for (const file of files) {
  answer.push(await parquetReadObjects({ file: await asyncBufferFromFile(file) }))
}
const plain = (key, value) => (typeof value === 'bigint' ? value.toString() : value)
process.stdout.write(JSON.stringify(answer, plain))
