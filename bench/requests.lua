-- For wrk: what each request is. Arguments: append, casing or history; how many casings; then for
-- each organisation the first digits of its casings' ids, and a token.

local threads = 0

function setup(thread)
    threads = threads + 1
    thread:set("number", threads)
end

local what, casings
local orgs = {}
local count = 0

function init(args)
    what, casings = args[1], tonumber(args[2])
    for i = 3, #args, 2 do
        orgs[#orgs + 1] = {
            start = args[i],
            headers = {
                ["Authorization"] = "Bearer " .. args[i + 1],
                ["Content-Type"] = "application/json",
            },
        }
    end
    math.randomseed(os.time() * 64 + number)
    series = math.random(0, 0xffffff)
end

-- RFC 9562 section 5.7: the time, then what makes it unique.
local function uuid7(now)
    local ms = now * 1000
    return string.format("%08x-%04x-7%03x-%04x-%06x%06x", math.floor(ms / 65536), ms % 65536,
        count % 4096, 0x8000 + number, series, count)
end

function request()
    count = count + 1
    local org = orgs[count % #orgs + 1]
    local casing = string.format("%s-%012x", org.start, math.random(1, casings))
    if what == "casing" then
        return wrk.format("GET", "/v1/casings/" .. casing, org.headers)
    elseif what == "history" then
        return wrk.format("GET", "/v1/casings/" .. casing .. "/history?limit=50", org.headers)
    end
    local now = os.time()
    local body = string.format('{"id":"%s","kind":"tread_read","subject":{"kind":"casing","id":"%s"},'
        .. '"occurred_at":"%s","facts":{"grooves_32nds":[[15,15.5,15],[14.5,15,15],[15,15,14.5]]}}',
        uuid7(now), casing, os.date("!%Y-%m-%dT%H:%M:%SZ", now))
    return wrk.format("POST", "/v1/entries", org.headers, body)
end

function done(summary, latency)
    local errors = summary.errors
    io.write(string.format("done %d %d %d %d %d\n", summary.requests, summary.duration,
        errors.connect + errors.read + errors.write + errors.timeout + errors.status,
        latency:percentile(50), latency:percentile(99)))
end
