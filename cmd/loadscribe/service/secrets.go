package service

import "loadscribe/agent/sitefile"

// secrets are files with passwords and keys that a site file names.
func secrets(site *sitefile.Site) (files []string) {
	if site.Mail != nil && site.Mail.PasswordFile != "" {
		files = append(files, site.Mail.PasswordFile)
	}
	for i := range site.Webhooks {
		if f := site.Webhooks[i].SecretFile; f != "" {
			files = append(files, f)
		}
	}
	for i := range site.RemoteWrites {
		w := &site.RemoteWrites[i]
		named := []string{w.TokenFile, w.PasswordFile, w.CAFile}
		for _, h := range w.Headers {
			named = append(named, h.File)
		}
		for _, f := range named {
			if f != "" {
				files = append(files, f)
			}
		}
	}
	if tls := site.Agent.TLS; tls.Key != "" {
		files = append(files, tls.Certificate, tls.Key)
	}
	return files
}
